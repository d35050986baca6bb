"""Reads and writes files of every registered format, by content and by name."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from gradeprep import crashreport
from gradeprep.errors import CannotCarryError, MissingPlateError, PlateError, TornFrameError
from gradeprep.model.frame import Frame, Layout
from gradeprep.model.order import OutputOrder
from gradeprep.plates import atomic, formats, limits
from gradeprep.plates.format import Planes, Stamp
from gradeprep.plates.regular import opened

__all__ = ["Hashed", "inspect", "outgoing", "read", "read_hashed", "timecode", "write"]

_SIGNATURE_BYTES = 4
_ATTEMPTS = 3

_SETTLED = 2_000_000_000
"""Nanoseconds after which a change of a file shows in its times on every common file system."""


@dataclass(frozen=True, slots=True)
class Hashed:
    """A frame, and the size and hash of the very bytes that it was decoded from."""

    frame: Frame
    bytes: int
    hash: str


def inspect(path: str | Path) -> Layout:
    """Layout of a file that is proved whole; no result depends on pixels.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or of another format than its name.
    """
    format = formats.by_name(_format(path))
    with crashreport.at("looking at it", path, seconds=limits.seconds()):
        return format.inspect(path)


def read(path: Path) -> Frame:
    """A whole frame: every part and channel in its own type, and the header.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or of another format than its name.
    """
    format = formats.by_name(_format(path))
    with crashreport.at("reading it", path, seconds=limits.seconds()):
        return format.read(path)


def read_hashed(path: Path) -> Hashed:
    """A whole frame with the hash of the bytes that it was decoded from.

    The file is hashed, then decoded. Its identity (device, inode, size, times of change) must be
    the same before and after, else both are done again. Where the file changed so recently that
    another change could leave its times equal, it is hashed once more instead.

    Raises:
        PlateError: As `read`, or the file changed at each of a few attempts.
        OSError: It is not there, or cannot be opened.
    """
    for _ in range(_ATTEMPTS):
        before, now = _state(path), time.time_ns()
        found = atomic.digest(path)
        try:
            frame = read(path)
        except PlateError:
            if _state(path) == before:
                raise
            continue
        settled = max(before[-2:]) + _SETTLED < now
        if _state(path) == before and (settled or atomic.digest(path) == found):
            return Hashed(frame, before[2], found)
    raise PlateError("changed while it was read", file=path, remedy="run it again when it is whole")


def _state(path: Path) -> tuple[int, int, int, int, int]:
    """What a change of a file's content changes: device, inode, size, mtime and ctime in ns."""
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def write(frame: Frame, path: Path) -> None:
    """Write a whole frame in its own format; the caller gives the file its final name.

    Raises:
        WriteError: The codec could not write it.
    """
    formats.writable(frame.format).write(frame, path)


def timecode(frame: Frame) -> str | None:
    """SMPTE ST 12-1 label of a frame, if it has one."""
    return formats.by_name(frame.format).shared(frame).timecode


def outgoing(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp, filename: str
) -> tuple[Frame, tuple[str, ...]]:
    """The frame to write, and notes on header fields that are restamped or left out.

    Args:
        frame: The source.
        planes: New colour planes.
        output: What is ordered.
        stamp: What the header states.
        filename: Name of the result.

    Raises:
        CannotCarryError: The result's format cannot hold the frame.
    """
    shared = formats.by_name(frame.format).shared(frame)
    writer = formats.writable(output.format)
    return writer.carried(frame, shared, planes, output, stamp, filename)


def _format(path: str | Path) -> str:
    """Format of a file's content, which must be the one of its name."""
    suffix, named = formats.suffix_of(path), formats.name_of(path)
    try:
        with opened(path) as file:
            start = file.read(_SIGNATURE_BYTES)
    except FileNotFoundError:
        raise MissingPlateError("no such file", file=path) from None
    except OSError as error:
        raise PlateError(f"cannot be read: {error.strerror}", file=path) from error
    if not start:
        raise TornFrameError("the file is empty", file=path, remedy="copy it again")
    real = formats.of_content(start)
    if real is not None and real != named:
        raise TornFrameError(
            f"named .{suffix}, but its content is {formats.by_name(real).TITLE}",
            file=path,
            remedy=f"rename it to .{formats.REGISTRY[real].suffixes[0]}",
        )
    if named is None:
        raise CannotCarryError(
            f"'.{suffix}' is not a format of scene-referred plates",
            file=path,
            remedy=f"give {', '.join(formats.READABLE)}",
        )
    if real is None and formats.REGISTRY[named].signatures:
        raise TornFrameError(
            f"named .{suffix}, but it is cut or garbled", file=path, remedy="copy it again"
        )
    return named

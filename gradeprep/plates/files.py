"""Reads and writes files of every registered format, by content and by name."""

from __future__ import annotations

from pathlib import Path

from gradeprep import crashreport
from gradeprep.errors import CannotCarryError, MissingPlateError, PlateError, TornFrameError
from gradeprep.model.frame import Frame, Layout
from gradeprep.model.order import OutputOrder
from gradeprep.plates import formats, limits
from gradeprep.plates.format import Planes, Stamp
from gradeprep.plates.regular import opened

__all__ = ["inspect", "outgoing", "read", "timecode", "write"]

_SIGNATURE_BYTES = 4


def inspect(path: str | Path) -> Layout:
    """Layout of a file that is proved whole; no result depends on pixels.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or not what its name says.
    """
    format = formats.by_name(_format(path))
    with crashreport.at("looking at it", path, seconds=limits.seconds()):
        return format.inspect(path)


def read(path: Path) -> Frame:
    """A whole frame: every part and channel in its own type, and the header.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or not what its name says.
    """
    format = formats.by_name(_format(path))
    with crashreport.at("reading it", path, seconds=limits.seconds()):
        return format.read(path)


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
    """Format of a file's content, which must be the one that its name says."""
    suffix, named = formats.suffix_of(path), formats.name_of(path)
    try:
        with opened(path) as file:
            start = file.read(_SIGNATURE_BYTES)
    except FileNotFoundError:
        raise MissingPlateError("there is no such file", file=path) from None
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

"""One door to all formats: which codec a file belongs to, by its content and its name."""

from __future__ import annotations

import os
from importlib import import_module
from pathlib import Path
from types import ModuleType

from gradeprep import crashreport
from gradeprep.errors import CannotCarryError, MissingPlateError, PlateError, TornFrameError
from gradeprep.model.frame import Frame, Layout
from gradeprep.plates import limits
from gradeprep.plates.regular import opened

__all__ = ["OTHERS", "WRITABLE", "format_of_name", "inspect", "read", "write"]

WRITABLE = ("exr", "dpx")
"""Formats that can be written; a plate of another format comes out as one of these."""

OTHERS = ("tif", "tiff", "hdr", "pfm", "cin")
"""Other extensions that are read; each can hold scene-linear or log pictures without a display's
curve."""

_MAGIC = {b"\x76\x2f\x31\x01": "exr", b"SDPX": "dpx", b"XPDS": "dpx"}


def format_of_name(path: str | Path) -> str:
    """Format that a file's extension names: ``exr``, ``dpx``, or the extension itself."""
    # no Path: this is asked of every frame
    return os.path.splitext(path)[1].lower().removeprefix(".")  # noqa: PTH122


def inspect(path: str | Path) -> Layout:
    """What a file says about itself; no pixel is decoded, but a cut file is noticed.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or not what its name says.
    """
    codec = _codec(_format(path))
    with crashreport.at("looking at it", path, seconds=limits.seconds()):
        return codec.inspect(path)  # type: ignore[no-any-return]


def read(path: Path) -> Frame:
    """A whole frame: every part and channel in its own type, and the header.

    Raises:
        PlateError: Torn, of a kind that cannot be carried, or not what its name says.
    """
    codec = _codec(_format(path))
    with crashreport.at("reading it", path, seconds=limits.seconds()):
        return codec.read(path)  # type: ignore[no-any-return]


def write(frame: Frame, path: Path) -> None:
    """Write a whole frame in its own format; the caller gives the file its final name.

    Raises:
        WriteError: The codec could not write it.
    """
    _codec(frame.format).write(frame, path)


def _format(path: str | Path) -> str:
    """Format of a file's content, which must be what its name says."""
    named = format_of_name(path)
    try:
        with opened(path) as file:
            magic = file.read(4)
    except FileNotFoundError:
        raise MissingPlateError("there is no such file", file=path) from None
    except OSError as error:
        raise PlateError(f"cannot be read: {error.strerror}", file=path) from error
    if not magic:
        raise TornFrameError("the file is empty", file=path, remedy="copy it again")
    real = _MAGIC.get(magic, named if named in OTHERS else None)
    if named in WRITABLE and real != named:
        what = "it is cut or garbled" if real is None else f"its content is {real.upper()}"
        raise TornFrameError(
            f"named .{named}, but {what}", file=path, remedy="rename it, or copy it again"
        )
    if real in WRITABLE and real != named:
        raise TornFrameError(
            f"named .{named}, but its content is {real.upper()}",
            file=path,
            remedy=f"rename it to .{real}",
        )
    if real is None:
        raise CannotCarryError(
            f"'.{named}' is not a format of scene-referred plates",
            file=path,
            remedy=f"give {', '.join((*WRITABLE, *OTHERS))}",
        )
    return real


def _codec(format: str) -> ModuleType:
    """The codec of a format, imported where such a plate is met."""
    name = format if format in WRITABLE else "other"
    return import_module(f"gradeprep.plates.{name}")

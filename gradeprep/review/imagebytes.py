"""Display-referred pixels as PNG, JPEG or WebP, through OpenImageIO."""

from __future__ import annotations

import base64
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

import numpy as np
import OpenImageIO as oiio

from gradeprep.errors import OutputRefusedError, TornFrameError, WriteError
from gradeprep.plates.atomic import publish, same_file
from gradeprep.review.screen import Bytes

__all__ = ["Kind", "data_uri", "decoded", "encoded", "may_write", "save_png"]

Kind = Literal["png", "jpeg", "webp"]

_SUFFIX = {"png": "png", "jpeg": "jpg", "webp": "webp"}


def encoded(pixels: Bytes, kind: Kind = "png", *, quality: int = 90) -> bytes:
    """A picture file in memory; equal pixels give equal bytes.

    Args:
        pixels: uint8 H x W x 3, sRGB.
        kind: ``png`` keeps every pixel; ``jpeg`` and ``webp`` come close in less.
        quality: 1 to 100, for those two.

    Raises:
        WriteError: The format is not there, or the picture could not be written whole.
    """
    with tempfile.TemporaryDirectory(prefix="gradeprep-") as folder:
        path = Path(folder) / f"picture.{_SUFFIX[kind]}"
        _write(path, pixels, "" if kind == "png" else f"{kind}:{quality}")
        return path.read_bytes()


def data_uri(pixels: Bytes, kind: Kind = "webp", *, quality: int = 90) -> str:
    """The same as a ``data:`` address for a page that must stand alone."""
    text = base64.b64encode(encoded(pixels, kind, quality=quality)).decode("ascii")
    return f"data:image/{kind};base64,{text}"


def decoded(path: Path) -> Bytes:
    """A picture file's pixels: uint8 H x W x channels.

    Raises:
        TornFrameError: It does not read.
    """
    source = oiio.ImageInput.open(str(path))
    back = None if source is None else source.read_image(oiio.UINT8)
    if back is None:
        raise TornFrameError(f"the picture does not read: {oiio.geterror()}", file=path)
    return np.asarray(back, np.uint8)


def may_write(path: Path, *, sources: Iterable[Path], overwrite: bool) -> None:
    """Refuse a picture's name before any work is done.

    Raises:
        OutputRefusedError: It is no ``.png``, its folder is missing, it is a source, or it exists
            and was not to be written over.
    """
    if path.suffix.lower() != ".png":
        raise OutputRefusedError("a picture is a PNG", file=path, remedy="name it .png")
    if not path.parent.is_dir():
        raise OutputRefusedError("its folder does not exist", file=path, remedy="make the folder")
    if os.path.lexists(path) and any(same_file(path, source) for source in sources):
        raise OutputRefusedError("is a source", file=path, remedy="choose another name")
    if path.is_dir():
        raise OutputRefusedError("is a folder", file=path, remedy="name a file in it")
    if os.path.lexists(path) and not overwrite:
        raise OutputRefusedError("exists", file=path, remedy="choose another name or --overwrite")


def save_png(path: Path, pixels: Bytes) -> None:
    """Write a PNG whole, read it back, and only then give it its name.

    Raises:
        WriteError: It could not be written whole.
    """

    def verify(temp: Path) -> None:
        if not np.array_equal(decoded(temp), pixels):
            raise WriteError("the picture reads back wrong", remedy="check the disk", file=temp)

    publish(path, lambda temp: _write(temp, pixels, ""), verify)


def _write(path: Path, pixels: Bytes, compression: str) -> None:
    height, width, channels = pixels.shape
    spec = oiio.ImageSpec(width, height, channels, oiio.UINT8)
    if compression:
        spec.attribute("Compression", compression)
    out = oiio.ImageOutput.create(str(path))
    if out is None:
        raise WriteError(oiio.geterror(), remedy="choose another kind of picture", file=path)
    plain = np.ascontiguousarray(pixels)
    if not (out.open(str(path), spec) and out.write_image(plain) and out.close()):
        raise WriteError(out.geterror(), remedy="check the folder and its free space", file=path)

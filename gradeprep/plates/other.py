"""Other scene-referred formats, read through OpenImageIO and written as EXR or DPX.

Only pixels, names and the few header fields that EXR has a standard place for are taken; that is
why these formats can be read but never be a result.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

from gradeprep.errors import CannotCarryError, TornFrameError
from gradeprep.model.frame import Frame, Layout, Part, PartLayout, pixel_aspect
from gradeprep.model.pixeltypes import pixel_type
from gradeprep.plates import limits
from gradeprep.plates.format import Shared
from gradeprep.plates.formats import name_of

__all__ = ["HEADER_MARKS", "PLANAR", "TITLE", "inspect", "read", "shared"]

TITLE = "image"
PLANAR = False
HEADER_MARKS = False

oiio.attribute("threads", 1)


def inspect(path: str | Path) -> Layout:
    """What a file says about itself, after a trial read of its last scanline.

    Raises:
        TornFrameError: Cut or garbled.
        CannotCarryError: More than one image, tiles of depth, or an unknown sample type.
    """
    path = Path(path)
    image, spec = _open(path)
    try:
        if image.read_scanlines(spec.y + spec.height - 1, spec.y + spec.height, 0, 0, 1) is None:
            raise _torn(path, image.geterror())
    finally:
        image.close()
    bits, dtype = _depth(path, spec)
    kind = pixel_type(np.empty((0, 0), dtype), bits)
    window = (spec.x, spec.y, spec.width, spec.height)
    display = (spec.full_x, spec.full_y, spec.full_width, spec.full_height)
    part = PartLayout("", dict.fromkeys(_names(spec), kind), window, display)
    return Layout(str(name_of(path)), (part,))


def read(path: Path) -> Frame:
    """A frame of one part: float16, float32, or code values as uint8 and uint16.

    Raises:
        TornFrameError: Cut or garbled.
        CannotCarryError: More than one image, tiles of depth, or an unknown sample type.
    """
    image, spec = _open(path)
    try:
        bits, dtype = _depth(path, spec)
        pixels = image.read_image(0, 0, 0, spec.nchannels, spec.format)
        if pixels is None:
            raise _torn(path, image.geterror())
    finally:
        image.close()
    pixels = np.asarray(pixels).reshape(spec.height, spec.width, spec.nchannels)
    if bits is not None and bits < pixels.dtype.itemsize * 8:
        pixels = pixels >> (pixels.dtype.itemsize * 8 - bits)
    planes = {
        name: np.ascontiguousarray(pixels[..., i].astype(dtype, copy=False))
        for i, name in enumerate(_names(spec))
    }
    return Frame(str(name_of(path)), (Part("", planes, _header(spec), bits),))


def shared(frame: Frame) -> Shared:
    """Header fields that EXR and DPX hold as well."""
    header = frame.parts[0].header
    return Shared(
        pixel_aspect=pixel_aspect(header),
        windows={name: header[name] for name in ("dataWindow", "displayWindow")},
    )


def _open(path: Path) -> tuple[Any, Any]:
    image = oiio.ImageInput.open(str(path))
    if image is None:
        raise _torn(path, oiio.geterror())
    spec = image.spec()
    allowed = limits.current()
    problem, remedy = None, "convert it to EXR"
    if spec.deep:
        problem = "holds deep data"
    elif spec.depth > 1:
        problem = "is a volume"
    elif image.seek_subimage(1, 0):
        problem = "holds more than one image"
    elif max(spec.width, spec.height) > allowed.side:
        problem = f"claims {spec.width} x {spec.height} pixels, the limit is {allowed.side}"
        remedy = f"if that is meant, raise {limits.SIDE}"
    if problem:
        image.close()
        raise CannotCarryError(problem, file=path, remedy=remedy)
    image.seek_subimage(0, 0)
    _check_bytes(path, image, allowed)
    return image, spec


def _check_bytes(path: Path, image: Any, allowed: limits.Limits) -> None:
    """Refuse what would take too much memory, once the first image is the current one."""
    try:
        allowed.check_bytes(image.spec().image_bytes())
    except CannotCarryError as error:
        image.close()
        raise error.at(file=path) from None


def _torn(path: Path, message: str) -> TornFrameError:
    cause = " ".join(message.split()) or "it cannot be opened"
    return TornFrameError(f"is cut or garbled: {cause}", file=path, remedy="copy it again")


def _depth(path: Path, spec: Any) -> tuple[int | None, np.dtype[Any]]:
    name = str(spec.format)
    if name == "float":
        return None, np.dtype(np.float32)
    if name == "half":
        return None, np.dtype(np.float16)
    if name in ("uint8", "uint16"):
        bits = int(spec.get_int_attribute("oiio:BitsPerSample", int(name[4:])))
        if bits in (8, 10, 12, 16):
            return bits, np.dtype(name)
    raise CannotCarryError(
        f"its samples are {name}", file=path, remedy="convert it to EXR in half or float"
    )


def _names(spec: Any) -> tuple[str, ...]:
    return tuple(spec.channelnames)


def _header(spec: Any) -> dict[str, Any]:
    """Fields that the OpenEXR header has a standard place for."""
    aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
    origin = np.array([spec.x, spec.y], np.int32)
    end = np.array([spec.x + spec.width - 1, spec.y + spec.height - 1], np.int32)
    full = np.array([spec.full_x, spec.full_y], np.int32)
    full_end = full + np.array([spec.full_width - 1, spec.full_height - 1], np.int32)
    return {
        "pixelAspectRatio": aspect,
        "dataWindow": (origin, end),
        "displayWindow": (full, full_end),
    }

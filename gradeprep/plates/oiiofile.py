"""Formats that are only read, through OpenImageIO: radiance, portable float map, Cineon.

Pixels, channel names and the few header fields that EXR has a standard place for are taken.
`open_image`, `sample_type`, `planes` and `window_fields` serve every module that reads so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

from gradeprep.errors import CannotCarryError, TornFrameError
from gradeprep.model.frame import Frame, Layout, Part, PartLayout, Plane, pixel_aspect
from gradeprep.model.pixeltypes import PIXEL_TYPES, code_type
from gradeprep.plates import limits
from gradeprep.plates.format import Shared
from gradeprep.plates.formats import name_of

__all__ = [
    "HEADER_MARKS",
    "PLANAR",
    "TITLE",
    "inspect",
    "open_image",
    "part_layout",
    "planes",
    "read",
    "sample_type",
    "shared",
    "torn",
    "window_fields",
]

TITLE = "image"
PLANAR = False
HEADER_MARKS = False

oiio.attribute("threads", 1)


def inspect(path: str | Path) -> Layout:
    """Layout of a file, after a trial read of its last scan line.

    Raises:
        TornFrameError: Cut or garbled.
        CannotCarryError: Several images, a volume, deep data, or an unknown sample type.
    """
    path = Path(path)
    image, spec = open_image(path)
    try:
        if image.read_scanlines(spec.y + spec.height - 1, spec.y + spec.height, 0, 0, 1) is None:
            raise torn(path, image.geterror())
    finally:
        image.close()
    return Layout(str(name_of(path)), (part_layout(path, spec),))


def read(path: Path) -> Frame:
    """A frame of one part: float16, float32, or code values as uint8 and uint16.

    Raises:
        TornFrameError: Cut or garbled.
        CannotCarryError: Several images, a volume, deep data, or an unknown sample type.
    """
    image, spec = open_image(path)
    try:
        channels, bits = planes(path, image, spec)
    finally:
        image.close()
    return Frame(str(name_of(path)), (Part("", channels, window_fields(spec), bits),))


def shared(frame: Frame) -> Shared:
    """Header fields that other formats hold as well."""
    header = frame.parts[0].header
    return Shared(
        pixel_aspect=pixel_aspect(header),
        windows={name: header[name] for name in ("dataWindow", "displayWindow")},
    )


def open_image(path: Path, config: Any = None) -> tuple[Any, Any]:
    """An open ``ImageInput`` at the one image of a file, and its ``ImageSpec``.

    Args:
        path: The file.
        config: An ``ImageSpec`` whose attributes direct the reader.

    Raises:
        TornFrameError: It does not open.
        CannotCarryError: Several images, a volume, deep data, or beyond the limits of size.
    """
    image = oiio.ImageInput.open(str(path), *(() if config is None else (config,)))
    if image is None:
        raise torn(path, oiio.geterror())
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
    try:
        allowed.check_bytes(image.spec().image_bytes())
    except CannotCarryError as error:
        image.close()
        raise error.at(file=path) from None
    return image, spec


def torn(path: Path, message: str) -> TornFrameError:
    """The error of a file that OpenImageIO does not read, with its reason on one line."""
    cause = " ".join(message.split()) or "it cannot be opened"
    return TornFrameError(f"is cut or garbled: {cause}", file=path, remedy="copy it again")


def sample_type(path: Path, spec: Any) -> str:
    """Name of the pixel type of an image.

    Raises:
        CannotCarryError: Its samples are of no type that plates have.
    """
    name = str(spec.format)
    if name in ("uint8", "uint16"):
        name = code_type(spec.get_int_attribute("oiio:BitsPerSample", int(name[4:])))
    if name in PIXEL_TYPES and name != "uint32":
        return name
    raise CannotCarryError(
        f"its samples are {name}", file=path, remedy="convert it to EXR in half or float"
    )


def part_layout(path: Path, spec: Any, compression: str = "none") -> PartLayout:
    """Layout of the one part of an image."""
    return PartLayout(
        name="",
        channels=dict.fromkeys(spec.channelnames, sample_type(path, spec)),
        data_window=(spec.x, spec.y, spec.width, spec.height),
        display_window=(spec.full_x, spec.full_y, spec.full_width, spec.full_height),
        compression=compression,
    )


def planes(path: Path, image: Any, spec: Any) -> tuple[dict[str, Plane], int | None]:
    """All channels, H x W each, and the depth of their codes; None for half and float.

    Raises:
        TornFrameError: They do not decode.
        CannotCarryError: Their type is none that plates have.
    """
    dtype, bits, _ = PIXEL_TYPES[sample_type(path, spec)]
    pixels = image.read_image(0, 0, 0, spec.nchannels, spec.format)
    if pixels is None:
        raise torn(path, image.geterror())
    pixels = np.asarray(pixels).reshape(spec.height, spec.width, spec.nchannels)
    if bits is not None and bits < pixels.dtype.itemsize * 8:
        pixels = pixels >> (pixels.dtype.itemsize * 8 - bits)
    names = enumerate(spec.channelnames)
    return {
        name: np.ascontiguousarray(pixels[..., i].astype(dtype, copy=False)) for i, name in names
    }, bits


def window_fields(spec: Any) -> dict[str, Any]:
    """Windows and pixel aspect of an image, as OpenEXR's header has them."""
    origin = np.array([spec.x, spec.y], np.int32)
    end = np.array([spec.x + spec.width - 1, spec.y + spec.height - 1], np.int32)
    full = np.array([spec.full_x, spec.full_y], np.int32)
    full_end = full + np.array([spec.full_width - 1, spec.full_height - 1], np.int32)
    return {
        "pixelAspectRatio": float(spec.get_float_attribute("PixelAspectRatio", 1.0)),
        "dataWindow": (origin, end),
        "displayWindow": (full, full_end),
    }

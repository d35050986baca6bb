"""Reads and writes TIFF files: float or integer samples, exact, through OpenImageIO.

`gradeprep.plates.tifscan` proves a file whole before the library opens it. Results are strips of
interleaved samples (TIFF 6.0 baseline layout); beyond 4 GiB they are BigTIFF. Half is no sample
type of TIFF 6.0: files that hold it are read, and results are float instead.

TIFF has no field for a timecode, a rate or what was pulled. They are one JSON object behind the
word ``gradeprep`` on the first line of ImageDescription; lines behind it stay as they are. The
library writes a DateTime of its own unless it is given one: a source's is kept, and without one
the field is empty, so that equal orders give equal bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio

from gradeprep.errors import CannotCarryError, TornFrameError, WriteError
from gradeprep.model.frame import Frame, Layout, Part, Plane, pixel_aspect
from gradeprep.model.pixeltypes import PIXEL_TYPES, PixelType, pixel_type
from gradeprep.plates.oiiofile import open_image, part_layout, planes, torn, window_fields
from gradeprep.plates.tifresult import (
    COMPRESSIONS,
    DEFAULT_COMPRESSION,
    RATE,
    RECIPE,
    STOPS,
    TIME,
    TYPES,
    carried,
    default_type,
    problem,
    shared,
)
from gradeprep.plates.tifscan import Directory, scan

__all__ = [
    "COMPRESSIONS",
    "CONTAINERS",
    "DEFAULT_COMPRESSION",
    "HEADER_MARKS",
    "PLANAR",
    "TITLE",
    "TYPES",
    "carried",
    "default_type",
    "inspect",
    "lossy",
    "problem",
    "read",
    "sample_bytes",
    "shared",
    "write",
]

TITLE = "TIFF"
PLANAR = False
HEADER_MARKS = True
CONTAINERS: tuple[str, ...] = ()

_CODES = {1: "none", 5: "lzw", 8: "zip", 32946: "zip", 32773: "packbits"}
"""Compression tag (259) to name; 1, 5 and 32773: TIFF 6.0, 8 and 32946: deflate (measured)."""

_TEXTS = {
    "DocumentName": 269,
    "Make": 271,
    "Model": 272,
    "Software": 305,
    "DateTime": 306,
    "Artist": 315,
    "HostComputer": 316,
    "Copyright": 33432,
}
"""Text fields that are kept, by the library's name; ImageDescription is kept line by line."""

_DESCRIPTION = 270
_NUMBERS = {"Orientation": 274, "XResolution": 282, "YResolution": 283, "ResolutionUnit": 296}
_PROFILE = ("ICCProfile", 34675)
_WINDOW_TAGS = {286, 287, 33300, 33301}
_STRUCTURE = {254, 256, 257, 258, 259, 262, 266, 273, 277, 278, 279, 284, 317, 338, 339}
_STRUCTURE |= {322, 323, 324, 325, 347, 530, 531, 532}
_NAMES = {700: "XMP", 33723: "IPTC", 34377: "image resources", 34665: "Exif", 34853: "GPS"}

_GREY, _RGB = 1, 2
_EXTRA_SAMPLES = {1: "associated", 2: "straight"}

_MARK = "gradeprep "
_CLASSIC_LIMIT = 2**32 - 2**20
"""Bytes of a file whose offsets have 32 bits, with room for its fields."""


def inspect(path: str | Path) -> Layout:
    """Layout of a TIFF file, after a trial read of its last scan line or tile.

    Raises:
        TornFrameError: Cut, garbled, or at odds with itself.
        CannotCarryError: Several images, other colours than RGB or grey, an unknown sample type.
    """
    path = Path(path)
    directory = _scanned(path)
    image, spec = open_image(path, _as_stored())
    try:
        if _last_pixels(image, spec) is None:
            raise torn(path, image.geterror())
    finally:
        image.close()
    marks = _marks(directory, path)
    history = str(marks.get(RECIPE, ""))
    return Layout(
        format="tif",
        parts=(part_layout(path, spec, _compression(directory)),),
        timecode=marks.get(TIME),
        rate=marks.get(RATE),
        pulled=marks.get(STOPS),
        history=tuple(filter(None, history.split(","))),
        straight_alpha=_alpha(directory) == "straight",
    )


def read(path: Path) -> Frame:
    """A whole TIFF frame of one part: samples as they are stored, and the fields that are kept.

    ``Part.header`` holds windows and pixel aspect as OpenEXR has them, the kept fields under the
    library's names, ``description`` (ImageDescription without our line), ``marks`` (our line),
    ``compression``, ``alpha`` (``associated``, ``straight``, or empty) and ``unkept``, the names
    of what a result cannot hold.

    Raises:
        TornFrameError: Cut, garbled, or at odds with itself.
        CannotCarryError: Several images, other colours than RGB or grey, an unknown sample type.
    """
    directory = _scanned(path)
    image, spec = open_image(path, _as_stored())
    try:
        channels, bits = planes(path, image, spec)
    finally:
        image.close()
    header = {**window_fields(spec), **_header(directory, spec, path)}
    return Frame("tif", (Part("", channels, header, bits),))


def write(frame: Frame, path: Path) -> None:
    """Write a frame as strips; the caller gives the file its final name.

    Raises:
        WriteError: The frame is no TIFF frame, or could not be written.
    """
    part = frame.parts[0]
    kind = pixel_type(next(iter(part.channels.values())), part.bits)
    if frame.format != "tif" or len(frame.parts) > 1 or kind not in TYPES:
        raise WriteError(f"a {frame.format} frame of {kind} is no TIFF frame", file=path)
    pixels = np.stack(list(part.channels.values()), axis=-1)
    out = oiio.ImageOutput.create(str(path))
    if out is None:
        raise WriteError(f"could not be written: {_reason(oiio.geterror())}", file=path)
    opened = out.open(str(path), _spec(part, pixels))
    written = opened and out.write_image(pixels)
    reason = out.geterror()
    if not (out.close() and written):
        raise WriteError(f"could not be written: {_reason(reason or out.geterror())}", file=path)


def lossy(compression: str, kinds: Iterable[PixelType]) -> bool:
    """Whether a compression changes pixels: none that is written does."""
    return False


def sample_bytes(kind: PixelType) -> float:
    """Bytes of one uncompressed sample in a file."""
    return PIXEL_TYPES[kind].dtype.itemsize


# From the file's tags to a header.


def _scanned(path: Path) -> Directory:
    """The directory of a file whose colours are RGB or grey."""
    found = scan(path)
    colours = found.number(262, _RGB)
    if colours not in (_GREY, _RGB):
        raise CannotCarryError(
            f"its colours are neither RGB nor grey (PhotometricInterpretation {colours})",
            file=path,
            remedy="convert it to RGB",
        )
    return found


def _last_pixels(image: Any, spec: Any) -> Any:
    """The last scan line or tile, decoded; None where it does not decode."""
    last, end = spec.y + spec.height - 1, spec.x + spec.width
    if not spec.tile_width:
        return image.read_scanlines(last, last + 1, 0, 0, 1)
    x = end - 1 - (spec.width - 1) % spec.tile_width
    y = last - (spec.height - 1) % spec.tile_height
    return image.read_tiles(x, end, y, last + 1, 0, 1, 0, 1)


def _as_stored() -> Any:
    """Direct the library to leave straight alpha alone; by itself it multiplies it in."""
    config = oiio.ImageSpec()
    config.attribute("oiio:UnassociatedAlpha", 1)
    return config


def _compression(directory: Directory) -> str:
    code = directory.number(259, 1)
    return _CODES.get(code, f"tiff-{code}")


def _alpha(directory: Directory) -> str:
    return _EXTRA_SAMPLES.get(directory.number(338, 0), "")


def _split(directory: Directory) -> tuple[bytes, str]:
    """ImageDescription without our line, and the JSON of our line; empty where there is none."""
    whole = directory.text(_DESCRIPTION) or b""
    first, _, others = whole.partition(b"\n")
    if not first.startswith(_MARK.encode()):
        return whole, ""
    return others, first.decode("ascii", "replace").removeprefix(_MARK)


def _marks(directory: Directory, path: Path) -> dict[str, Any]:
    """The JSON object of our line; a line that cannot be read is an error, not an absent one."""
    _, line = _split(directory)
    if not line:
        return {}
    try:
        found = json.loads(line)
        words = [found[name] for name in (RECIPE, TIME, RATE) if name in found]
        if not math.isfinite(found.get(STOPS, 0.0)) or not all(isinstance(w, str) for w in words):
            raise ValueError
    except (ValueError, TypeError, AttributeError, RecursionError):
        raise TornFrameError(
            "has a line 'gradeprep' in ImageDescription that cannot be read",
            file=path,
            remedy="copy it again",
        ) from None
    return dict(found)


def _header(directory: Directory, spec: Any, path: Path) -> dict[str, Any]:
    """Kept fields, and the names of those that a result cannot hold."""
    header: dict[str, Any] = {
        "marks": _marks(directory, path),
        "compression": _compression(directory),
        "alpha": _alpha(directory),
    }
    described, _ = _split(directory)
    texts = {name: directory.text(tag) for name, tag in _TEXTS.items()}
    unkept = []
    for name, raw in {"description": described or None, **texts}.items():
        if raw is None:
            continue
        if (text := _decoded(raw)) is None:
            unkept.append(name)
        elif text:
            header[name] = text
    for name, tag in (*_NUMBERS.items(), _PROFILE):
        if tag in directory.values:
            header[name] = spec.getattribute(name)
    known = {_DESCRIPTION, *_TEXTS.values(), *_NUMBERS.values(), _PROFILE[1]}
    others = sorted(directory.values.keys() - known - _STRUCTURE - _WINDOW_TAGS)
    unkept += [_NAMES.get(tag, f"tag {tag}") for tag in others]
    header["unkept"] = tuple(unkept)
    header["strips"] = not directory.tiled and directory.number(284, 1) == 1
    return header


def _decoded(raw: bytes) -> str | None:
    """One text of UTF-8; None for what the library would write otherwise."""
    try:
        return None if b"\0" in raw else raw.decode()
    except UnicodeDecodeError:
        return None


# The library's description of a result.


def _spec(part: Part, pixels: Plane) -> Any:
    header = part.header
    height, width, samples = pixels.shape
    spec = oiio.ImageSpec(width, height, samples, str(pixels.dtype).replace("float32", "float"))
    spec.channelnames = tuple(part.channels)
    alpha = header.get("alpha", "")
    spec.alpha_channel = list(part.channels).index("A") if alpha and "A" in part.channels else -1
    if "displayWindow" in header:
        (spec.x, spec.y), _ = (map(int, corner) for corner in header["dataWindow"])
        _, last = header["displayWindow"]
        spec.full_x, spec.full_y = 0, 0
        spec.full_width, spec.full_height = int(last[0]) + 1, int(last[1]) + 1
    for name, found in _attributes(header):
        spec.attribute(name, found)
    if "ICCProfile" in header:
        profile = np.asarray(header["ICCProfile"], np.uint8)
        spec.attribute("ICCProfile", f"uint8[{profile.size}]", profile)
    spec.attribute("oiio:UnassociatedAlpha", int(alpha == "straight"))
    spec.attribute("tiff:write_exif", 0)
    # LZW may make noise half as large again.
    spec.attribute("tiff:bigtiff", int(pixels.nbytes * 3 // 2 > _CLASSIC_LIMIT))
    return spec


def _attributes(header: Mapping[str, Any]) -> Iterable[tuple[str, Any]]:
    yield "compression", header.get("compression", DEFAULT_COMPRESSION)
    yield "DateTime", header.get("DateTime", "")
    for name in (*_TEXTS, *_NUMBERS):
        if name in header and name != "DateTime":
            yield name, header[name]
    aspect = pixel_aspect(header)
    if aspect != 1.0:
        yield "PixelAspectRatio", aspect
        if "XResolution" not in header:
            yield "ResolutionUnit", "none"
    marks = header.get("marks")
    lines = [_MARK + json.dumps(marks, separators=(",", ":"))] if marks else []
    lines += [header["description"]] if "description" in header else []
    if lines:
        yield "ImageDescription", "\n".join(lines)


def _reason(text: str) -> str:
    return " ".join(text.split())[:160] or "the library gives no reason"

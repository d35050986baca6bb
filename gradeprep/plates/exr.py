"""OpenEXR frames: scanned here, decoded and encoded by the OpenEXR module without loss.

The module opens torn files as files without parts, drops a part without an error, ignores the
strides of arrays, and keeps the first of several levels under a header that still describes all
of them. So `gradeprep.plates.exrscan` first proves a file whole, and what the module read is
compared with that scan.

What changes on the way, besides the order of attributes: a part without a ``type`` gets one, and a
signalling NaN in a float attribute becomes quiet.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR

from gradeprep.errors import CannotCarryError, PlateError, TornFrameError, WriteError
from gradeprep.model.frame import Frame, Layout, Part, PartLayout
from gradeprep.model.pixeltypes import PIXEL_TYPES, PixelType, pixel_type
from gradeprep.plates.exrheader import (
    ENUMERATED,
    LINEAR,
    RECIPE,
    STOPS,
    as_aces,
    label,
    new_header,
    rate,
    rate_text,
    timecode,
    value,
    with_attributes,
    with_compression,
)
from gradeprep.plates.exrimage import CODECS, Image, chunk_counts
from gradeprep.plates.exrmessages import captured
from gradeprep.plates.exrresult import carried, problem, shared
from gradeprep.plates.exrscan import Structure, scan

__all__ = [
    "COMPRESSIONS",
    "CONTAINERS",
    "DEFAULT_COMPRESSION",
    "HEADER_MARKS",
    "LOSSY",
    "PLANAR",
    "RECIPE",
    "STOPS",
    "TITLE",
    "TYPES",
    "as_aces",
    "carried",
    "default_type",
    "inspect",
    "lossy",
    "new_header",
    "problem",
    "rate",
    "read",
    "sample_bytes",
    "set_threads",
    "shared",
    "timecode",
    "with_attributes",
    "with_compression",
    "write",
]

TITLE = "EXR"
PLANAR = True
HEADER_MARKS = True
TYPES: tuple[PixelType, ...] = ("half", "float")
COMPRESSIONS: tuple[str, ...] = tuple(ENUMERATED)
DEFAULT_COMPRESSION = "zip"
CONTAINERS: tuple[str, ...] = ("aces",)

LOSSY: Mapping[str, frozenset[PixelType]] = {
    "pxr24": frozenset({"float"}),
    "b44": frozenset({"half"}),
    "b44a": frozenset({"half"}),
    "dwaa": frozenset({"half", "float"}),
    "dwab": frozenset({"half", "float"}),
    "lj2k": frozenset({"half", "float"}),
}
"""Compressions that change pixels, and the pixel types they change (measured)."""

_TYPES_KNOWN = {
    "originalDataWindow": "box2i",
    "sensorAcquisitionRectangle": "box2i",
    "sensorCenterOffset": "v2f",
    "sensorOverallDimensions": "v2f",
    "cameraColorBalance": "v2f",
    "adoptedNeutral": "v2f",
    "chromaticities": "chromaticities",
    "dwaCompressionLevel": "float",
}
"""Standard attributes that the module writes as this type or not at all."""


def set_threads(count: int) -> None:
    """Set the number of the codec's own threads; 0 works in the calling thread."""
    OpenEXR.set_global_thread_count(count)


def lossy(compression: str, kinds: Iterable[PixelType]) -> bool:
    """Whether a compression changes pixels of any of these types."""
    return not LOSSY.get(compression, frozenset()).isdisjoint(kinds)


def default_type(source: PixelType) -> PixelType:
    """Type of a result whose source has another format: float for float, else half."""
    return "float" if source == "float" else "half"


def sample_bytes(kind: PixelType) -> float:
    """Bytes of one uncompressed sample in a file."""
    return PIXEL_TYPES[kind].dtype.itemsize


def inspect(path: str | Path) -> Layout:
    """Layout of an EXR file; no pixel is decoded.

    Raises:
        TornFrameError: Cut short, garbled, or at odds with itself.
        CannotCarryError: Of a kind that would lose something.
    """
    structure = _scanned(path)
    return Layout(
        format="exr",
        parts=tuple(_part_layout(part) for part in structure.parts),
        timecode=_timecode(structure),
        rate=_rate(structure),
        pulled=_pulled(structure, path),
        history=_history(structure),
        reels=_reels(structure),
    )


def read(path: Path) -> Frame:
    """A whole EXR frame: every part and channel in its own type, every attribute.

    Raises:
        TornFrameError: Cut short, garbled, or at odds with itself.
        CannotCarryError: Of a kind that would lose something.
    """
    structure = _scanned(path)
    with captured() as lines:
        try:
            file = OpenEXR.File(_name(path), separate_channels=True)
        except PlateError:
            raise
        except Exception as error:
            raise TornFrameError(
                f"does not decode: {_cause(str(error), path)}", file=path
            ) from error
    if len(file.parts) != len(structure.parts):
        raise TornFrameError(f"does not decode: {_cause(''.join(lines), path)}", file=path)
    pairs = zip(structure.parts, file.parts, strict=True)
    return Frame("exr", tuple(_part(scanned, found, path) for scanned, found in pairs))


def write(frame: Frame, path: Path) -> None:
    """Write all parts of a frame; the caller gives the file its final name.

    Planes may have any strides. What the header lacks takes the format's defaults.

    Raises:
        WriteError: The frame is no EXR frame, or could not be written.
    """
    if frame.format != "exr" or not frame.parts:
        raise WriteError(f"a {frame.format} frame is no EXR frame", file=path)
    try:
        with captured():
            parts = [_module_part(part, len(frame.parts) > 1) for part in frame.parts]
            OpenEXR.File(parts).write(_name(path))
    except WriteError as error:
        error.at(file=path)
        raise
    except Exception as error:
        raise WriteError(f"could not be written: {_cause(str(error), path)}", file=path) from error


def _scanned(path: str | Path) -> Structure:
    """The file's structure, when the module can carry it."""
    structure = scan(path)
    for part in structure.parts:
        for name, (kind, raw) in part.attributes.items():
            problem = _problem(name, kind, raw)
            if problem:
                raise CannotCarryError(f"has attribute {name!r} {problem}", file=path)
    return structure


def _problem(name: str, kind: str, raw: bytes) -> str | None:
    """Why the module cannot carry an attribute."""
    expected = _TYPES_KNOWN.get(name, kind)
    if kind != expected:
        return f"of type {kind!r}; the format requires {expected!r}"
    if kind == "deepImageState":
        return "of a type for deep pictures"
    if kind == "rational" and raw[4:] == bytes(4):
        return "with a denominator of zero"
    if kind == "envmap" and raw not in (b"\0", b"\1"):
        return "with an unknown environment map"
    return None


# From the scan to a layout.


def _part_layout(part: Image) -> PartLayout:
    return PartLayout(
        name=part.name,
        channels={channel.name: channel.pixel_type for channel in part.channels},
        data_window=part.data_window,
        display_window=part.display_window,
        compression=part.codec.name,
        tiles=part.tiles,
    )


def _first(structure: Structure, name: str, sizes: Mapping[str, int | None]) -> tuple[str, bytes]:
    """Type and bytes of an attribute in the first part that has it in one of those types."""
    for part in structure.parts:
        kind, raw = part.attributes.get(name, ("", b""))
        if kind in sizes and sizes[kind] in (None, len(raw)):
            return kind, raw
    return "", b""


def _timecode(structure: Structure) -> str | None:
    _, raw = _first(structure, "timeCode", {"timecode": 8})
    return label(int.from_bytes(raw[:4], "little")) if raw else None


def _rate(structure: Structure) -> str | None:
    _, raw = _first(structure, "framesPerSecond", {"rational": 8})
    return rate_text(*struct.unpack("<iI", raw)) if raw else None


def _history(structure: Structure) -> tuple[str, ...]:
    _, raw = _first(structure, RECIPE, {"string": None})
    return tuple(digest for digest in raw.decode().split(",") if digest)


def _reels(structure: Structure) -> tuple[str, ...]:
    _, raw = _first(structure, "reelName", {"string": None})
    return (raw.decode(),) if raw else ()


def _pulled(structure: Structure, path: str | Path) -> float | None:
    """Stops that the file states; a mark that cannot be read is an error, not an absent one."""
    if not any(STOPS in part.attributes for part in structure.parts):
        return None
    kind, raw = _first(structure, STOPS, {"float": 4, "double": 8})
    stops = struct.unpack("<f" if kind == "float" else "<d", raw)[0] if raw else math.nan
    if not math.isfinite(stops):
        raise TornFrameError(f"has attribute {STOPS!r}, but it holds no number", file=path)
    return float(stops)


# From the module's parts to parts of a frame.


def _part(scanned: Image, found: Any, path: Path) -> Part:
    planes = {name: channel.pixels for name, channel in found.channels.items()}
    width, height = scanned.data_window[2:]
    for channel in scanned.channels:
        plane, expected = planes.get(channel.name), ((height, width), channel.pixel_type)
        if plane is None or (plane.shape, pixel_type(plane, None)) != expected:
            raise TornFrameError(f"channel {channel.name!r} differs from its header", file=path)
    channels = {channel.name: planes[channel.name] for channel in scanned.channels}
    return Part(scanned.name, channels, _header(scanned, found.header))


def _header(scanned: Image, found: Mapping[str, Any]) -> dict[str, Any]:
    header = {name: it for name, it in found.items() if name not in scanned.attributes}
    for name, (kind, raw) in scanned.attributes.items():
        if name != "channels":
            header[name] = value(kind, raw, found.get(name))
    linear = tuple(channel.name for channel in scanned.channels if channel.linear)
    return {**header, LINEAR: linear} if linear else header


def _name(path: Path) -> str:
    """The path as the module takes it."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        raise CannotCarryError(
            "has a name that is not UTF-8", file=path, remedy="rename it"
        ) from None
    return str(path)


def _cause(text: str, path: Path) -> str:
    """The library's message on one line, without the path, which the error has already."""
    line = " ".join(text.replace(f"'{path}'", "it").replace(f'"{path}"', "it").split())
    return line.rsplit(" - ", 1)[-1][:160] or "the library gives no reason"


# From parts of a frame to the module's.


def _module_part(part: Part, multi_part: bool) -> Any:
    if not part.channels:
        raise WriteError("a part without channels cannot be written")
    header = {
        name: it.item() if isinstance(it, np.generic) else it  # the module takes no numpy scalars
        for name, it in part.header.items()
        if name not in ("channels", "chunkCount", LINEAR)
    }
    if "chunkCount" in part.header and not multi_part:  # the module counts for many parts only
        header["chunkCount"] = _chunk_count(part)
    _check_window(part)
    linear: Sequence[str] = part.header.get(LINEAR, ())
    channels = {
        name: OpenEXR.Channel(np.ascontiguousarray(plane), 1, 1, name in linear)
        for name, plane in part.channels.items()
    }
    return OpenEXR.Part(header, channels, part.name)


def _chunk_count(part: Part) -> int:
    compression = part.header.get("compression", ENUMERATED["zip"])
    tiles = part.header.get("tiles") if part.header.get("type") == OpenEXR.tiledimage else None
    tile = (tiles.xSize, tiles.ySize) if tiles is not None else None
    height, width = part.size
    across, down = chunk_counts((width, height), CODECS[int(compression.value)], tile)
    return across * down


def _check_window(part: Part) -> None:
    """The module would read past an array smaller than its window."""
    sizes = {plane.shape for plane in part.channels.values()}
    if "dataWindow" in part.header:
        low, high = part.header["dataWindow"]
        sizes.add((int(high[1]) - int(low[1]) + 1, int(high[0]) - int(low[0]) + 1))
    if len(sizes) > 1:
        raise WriteError("planes and data window differ in size")

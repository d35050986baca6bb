"""The TIFF frame of a result: what is kept of the source, and what is restamped."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from gradeprep.errors import CannotCarryError
from gradeprep.model.frame import Frame, Layout, Part, Plane, pixel_aspect
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PIXEL_TYPES, PixelType
from gradeprep.plates.alpha import coverage
from gradeprep.plates.format import Planes, Problem, Shared, Stamp, channel_problem

__all__ = [
    "COMPRESSIONS",
    "DEFAULT_COMPRESSION",
    "RATE",
    "RECIPE",
    "STOPS",
    "TIME",
    "TYPES",
    "carried",
    "default_type",
    "problem",
    "shared",
]

TYPES: tuple[PixelType, ...] = ("float", "uint16", "uint8")
COMPRESSIONS: tuple[str, ...] = ("none", "lzw", "zip", "packbits")
DEFAULT_COMPRESSION = "zip"

STOPS, RECIPE, TIME, RATE = "gradeprepStops", "gradeprepRecipe", "timeCode", "framesPerSecond"
"""Keys of our line in ImageDescription; the names that EXR headers use."""

_CHANNELS = (("R", "G", "B"), ("R", "G", "B", "A"), ("Y",), ("Y", "A"))


def default_type(source: PixelType) -> PixelType:
    """Float for half and float, which it holds exactly; else the code type at least as deep."""
    if source in TYPES:
        return source
    return "float" if PIXEL_TYPES[source].bits is None else "uint16"


def shared(frame: Frame) -> Shared:
    """Header fields of a TIFF frame that other formats hold as well."""
    header = frame.parts[0].header
    marks = header["marks"]
    return Shared(
        timecode=_text(marks.get(TIME)),
        rate=_text(marks.get(RATE)),
        pixel_aspect=pixel_aspect(header),
        windows={name: header[name] for name in ("dataWindow", "displayWindow")},
    )


def problem(layout: Layout, output: OutputOrder) -> Problem | None:
    """Why a source does not come out as ordered without loss; None where it does."""
    if layout.format != "tif":
        return None if output.only_colour else channel_problem("TIFF", layout, _CHANNELS)
    kinds = set(layout.parts[0].channels.values())
    for kind in sorted(kinds - set(TYPES)) if output.type == "source" else ():
        return f"a TIFF result cannot be {kind}", f"set output.type: {default_type(kind)}"
    return None


def carried(
    frame: Frame,
    shared: Shared,
    planes: Planes,
    output: OutputOrder,
    stamp: Stamp,
    filename: str,  # a TIFF header holds no file name
) -> tuple[Frame, tuple[str, ...]]:
    """The frame to write, and notes; see `gradeprep.plates.format.WritableFormat`.

    Raises:
        CannotCarryError: Windows differ, or a channel that is no colour would change its type.
    """
    own = {name: plane for (part, name), plane in planes.items() if part == 0}
    source = frame.parts[0].with_planes(own)
    notes: list[str] = []
    if frame.format == "tif":
        header = _kept_header(source, output, stamp, notes)
    else:
        source = _only_channels(source, notes)
        header = _new_header(source, shared, output, notes)
    header["marks"] = _new_marks(shared, stamp)
    if output.type != "source":
        source = _of_type(source, output.type)
    return Frame("tif", (replace(source, name="", header=header),)), tuple(notes)


def _kept_header(part: Part, output: OutputOrder, stamp: Stamp, notes: list[str]) -> dict[str, Any]:
    header = dict(part.header)
    if header["unkept"]:
        notes.append(f"{', '.join(header['unkept'])} left out: TIFF results do not hold them")
    if not header["strips"]:
        notes.append("written as strips of whole pixels; the source has tiles or planes")
    if output.compression != "source":
        header["compression"] = output.compression
    elif header["compression"] not in COMPRESSIONS:
        notes.append(f"compression set to {DEFAULT_COMPRESSION} from {header['compression']}")
        header["compression"] = DEFAULT_COMPRESSION
    if stamp.space_changed and header.pop("ICCProfile", None) is not None:
        notes.append("ICCProfile removed: it described the source's colour space")
    return header


def _new_header(
    part: Part, shared: Shared, output: OutputOrder, notes: list[str]
) -> dict[str, Any]:
    data, display = shared.windows.get("dataWindow"), shared.windows.get("displayWindow")
    if data is not None and display is not None and not np.array_equal(data, display):
        raise CannotCarryError(
            "its data window is not its display window, which TIFF does not hold",
            remedy="write EXR, or crop the plate first",
        )
    others = list(shared.others)
    if data is not None and np.any(data[0]):
        others.append("the origin of the display window")
    if others:
        notes.append(f"{', '.join(others)} left out: TIFF has no field for them")
    return {
        "pixelAspectRatio": shared.pixel_aspect,
        "compression": output.compression,
        "alpha": "associated" if "A" in part.channels else "",
    }


def _only_channels(part: Part, notes: list[str]) -> Part:
    names = max((set(fits) for fits in _CHANNELS if set(fits) <= set(part.channels)), key=len)
    left = sorted(set(part.channels) - names)
    if left:
        notes.append(f"channels {', '.join(left)} left out: TIFF cannot hold them")
    kept = {name: part.channels[name] for name in "RGBYA" if name in names}
    return replace(part, channels=kept)


def _of_type(part: Part, kind: PixelType) -> Part:
    """The part with every channel in the type that its colours have already."""
    wanted = PIXEL_TYPES[kind]

    def converted(name: str, plane: Plane) -> Plane:
        if name in ("R", "G", "B", "Y"):
            return plane
        if name != "A":
            raise CannotCarryError(
                f"channel {name} cannot change its type", remedy="keep the type of the source"
            )
        return coverage(plane, part.bits, kind)

    channels = {name: converted(name, plane) for name, plane in part.channels.items()}
    return replace(part, channels=channels, bits=wanted.bits)


def _new_marks(shared: Shared, stamp: Stamp) -> dict[str, Any]:
    marks = {
        STOPS: float(stamp.stops) if stamp.history else None,
        RECIPE: ",".join(stamp.history) or None,
        TIME: shared.timecode,
        RATE: shared.rate,
    }
    return {name: mark for name, mark in marks.items() if mark is not None}


def _text(value: Any) -> str | None:
    return None if value is None else str(value)

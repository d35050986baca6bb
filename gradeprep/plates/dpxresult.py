"""The DPX frame of a result: what is kept of the source, and what is restamped."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from gradeprep.errors import CannotCarryError
from gradeprep.model.frame import Frame, Layout, Part, Plane, pixel_aspect
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PIXEL_TYPES, code_type
from gradeprep.plates import dpxheader
from gradeprep.plates.alpha import coverage
from gradeprep.plates.format import Planes, Problem, Shared, Stamp, channel_problem

__all__ = ["carried", "problem", "shared"]

_CHANNELS = (("R", "G", "B"), ("R", "G", "B", "A"), ("Y",))
_TRANSFER = {"scene-linear": 2, "log": 3}
"""Transfer characteristics of SMPTE ST 268 by encoding; 0 is user-defined."""

_STRUCTURE = (
    "bits",
    "packing",
    "high_data",
    "low_data",
    "line_padding",
    "image_padding",
    "file_size",
    "data_offset",
    "data_sign",
    "encoding",
)


_DESCRIPTIVE = (
    *("creation_time", "creator", "project", "copyright", "source_file", "source_time"),
    *("input_device", "input_serial", "orientation", "slate", "frame_id", "description"),
    *("film_manufacturer", "film_type", "film_offset", "film_prefix", "film_count"),
    *("film_format", "frame_position", "sequence_length", "held_count", "shutter_angle"),
    *("user_bits", "gamma", "integration_time", "transfer", "colorimetric"),
)
"""Fields that describe the picture and that other formats may have no place for."""


def shared(frame: Frame) -> Shared:
    """Header fields of a DPX frame that other formats hold as well."""
    header = frame.parts[0].header
    return Shared(
        timecode=_text(header.get("timecode")),
        rate=_text(header.get("rate")),
        pixel_aspect=pixel_aspect(header),
        others=tuple(name for name in _DESCRIPTIVE if header.get(name)),
    )


def problem(layout: Layout, output: OutputOrder) -> Problem | None:
    """Why a source does not come out as ordered without loss; None where it does."""
    if layout.format == "dpx" or output.only_colour:
        return None
    return channel_problem("DPX", layout, _CHANNELS)


def carried(
    frame: Frame,
    shared: Shared,
    planes: Planes,
    output: OutputOrder,
    stamp: Stamp,
    filename: str,
) -> tuple[Frame, tuple[str, ...]]:
    """The frame to write, and notes; see `gradeprep.plates.format.WritableFormat`.

    Raises:
        CannotCarryError: Windows differ, or the depth of several elements is to change.
    """
    if frame.format == "dpx":
        return _kept(frame, planes, output, stamp, filename)
    return _converted(frame, shared, planes, output, stamp, filename)


def _kept(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp, filename: str
) -> tuple[Frame, tuple[str, ...]]:
    notes: list[str] = []
    parts = [
        part.with_planes({name: plane for (where, name), plane in planes.items() if where == i})
        for i, part in enumerate(frame.parts)
    ]
    raw = _renamed(frame.raw, filename)
    if output.type != "source":
        bits = _bits(output)
        parts, raw = _at_depth(parts, raw, bits, filename)
        notes.append(f"depth and packing set for {bits} bit")
    if stamp.space_changed:
        transfer = _TRANSFER.get(stamp.encoding, 0)
        raw = dpxheader.patched(raw, transfer=transfer, colorimetric=0)
        notes.append(f"transfer set to {transfer}, colorimetric to 0: the colour space changed")
    return Frame("dpx", tuple(parts), raw), tuple(notes)


def _bits(output: OutputOrder) -> int:
    bits = PIXEL_TYPES[output.type].bits
    assert bits is not None
    return bits


def _renamed(raw: bytes, filename: str) -> bytes:
    """The header's file name follows the file, where the header has one."""
    present = dpxheader.value(raw, "file_name")
    return dpxheader.patched(raw, file_name=filename) if present else raw


def _at_depth(parts: list[Part], raw: bytes, bits: int, filename: str) -> tuple[list[Part], bytes]:
    """Another code depth under the same header: only what describes the samples is new."""
    if len(parts) > 1:
        raise CannotCarryError(
            f"has {len(parts)} image elements; their depth cannot be changed",
            remedy="keep the type",
        )
    part = parts[0]
    fresh = dpxheader.new_header(
        width=part.size[1],
        height=part.size[0],
        channels=tuple(part.channels),
        bits=bits,
        transfer=0,
        colorimetric=0,
        timecode=None,
        rate=None,
        filename=filename,
        big_endian=dpxheader.is_big_endian(raw),
    )
    fields = {name: dpxheader.value(fresh, name) for name in _STRUCTURE}
    grown = len(raw) - len(fresh)
    fields |= {"data_offset": len(raw), "file_size": fields["file_size"] + grown}
    kind = code_type(bits)
    alpha = {n: coverage(p, part.bits, kind) for n, p in part.channels.items() if n == "A"}
    return [Part("", {**part.channels, **alpha}, {}, bits)], dpxheader.patched(raw, **fields)


def _converted(
    frame: Frame,
    shared: Shared,
    planes: Planes,
    output: OutputOrder,
    stamp: Stamp,
    filename: str,
) -> tuple[Frame, tuple[str, ...]]:
    part = frame.parts[0]
    _whole_window(shared)
    bits = _bits(output)
    channels: dict[str, Plane] = {
        name: planes.get((0, name), part.channels[name])
        for fits in _CHANNELS
        for name in fits
        if name in part.channels
    }
    if "A" in channels:
        channels["A"] = coverage(channels["A"], part.bits, output.type)
    notes = []
    left = sorted(set(part.channels) - set(channels))
    if left:
        notes.append(f"channels {', '.join(left)} left out: DPX cannot hold them")
    raw = dpxheader.new_header(
        width=part.size[1],
        height=part.size[0],
        channels=tuple(channels),
        bits=bits,
        transfer=_TRANSFER.get(stamp.encoding, 0),
        colorimetric=0,
        timecode=shared.timecode,
        rate=shared.rate,
        filename=filename,
    )
    aspect = Fraction(shared.pixel_aspect).limit_denominator(1000)
    if aspect != 1:
        across, down = aspect.as_integer_ratio()
        raw = dpxheader.patched(raw, pixel_aspect_x=across, pixel_aspect_y=down)
    return Frame("dpx", (Part("", channels, {}, bits),), raw), tuple(notes)


def _whole_window(shared: Shared) -> None:
    data, display = shared.windows.get("dataWindow"), shared.windows.get("displayWindow")
    if data is not None and display is not None and not np.array_equal(data, display):
        raise CannotCarryError(
            "its data window is not its display window, which DPX does not hold",
            remedy="write EXR, or crop the plate first",
        )


def _text(value: Any) -> str | None:
    return None if value is None else str(value)

"""What a result takes along from its source: header, other channels, and what must be restamped.

Within a format everything is kept, and only fields that would tell an untruth are changed: the
type and compression that the recipe asks for, colour fields when the colour space changed, and
our own marks. Between formats the fields that both have a standard place for go over: timecode,
rate and pixel aspect; what the other format cannot hold is refused, or left out when the recipe
says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from gradeprep.errors import CannotCarryError
from gradeprep.model.frame import Frame, Part, Plane, pixel_aspect, top_code
from gradeprep.model.order import OutputOrder
from gradeprep.plates import dpxheader, exrheader

__all__ = ["DPX_LOG", "Stamp", "outgoing", "problem", "timecode"]

_DPX_CHANNELS = (("R", "G", "B"), ("R", "G", "B", "A"), ("Y",))
_ACES_CHANNELS = (("R", "G", "B"), ("R", "G", "B", "A"))
_COLOUR_ATTRIBUTES = ("chromaticities", "colorInteropID", "acesImageContainerFlag")
DPX_LOG = 3
"""Transfer characteristic of logarithmic code values (SMPTE ST 268)."""

_DPX_TRANSFER = {"scene-linear": 2, "log": DPX_LOG}
"""Transfer characteristics of SMPTE ST 268 by encoding; 0 is user-defined."""

Planes = Mapping[tuple[int, str], Plane]
"""New planes by part index and channel name."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What the result's header has to say.

    Attributes:
        stops: Sum of all pulls applied to the picture, in stops.
        history: Digests of all recipes applied, oldest first; empty when all were taken back.
        space_changed: Whether the result's colour space is another than the source's.
        chromaticities: Published primaries of the result's space, if it is linear and they are.
        encoding: Encoding of the result's space, in OpenColorIO's words.
    """

    stops: float
    history: tuple[str, ...]
    space_changed: bool
    chromaticities: tuple[float, ...] | None
    encoding: str


def problem(
    format: str, parts: tuple[tuple[str, tuple[str, ...]], ...], output: OutputOrder
) -> str | None:
    """Why a plate cannot come out as ordered without loss; None when it can.

    Args:
        format: Format of the source.
        parts: Name and channel names of each part.
        output: What is ordered.
    """
    if output.only_colour:
        return None
    if output.format == "dpx" and format != "dpx":
        return _does_not_fit("DPX", parts, _DPX_CHANNELS)
    if output.container == "aces":
        return _does_not_fit("an ACES container", parts, _ACES_CHANNELS)
    return None


def _does_not_fit(
    what: str,
    parts: tuple[tuple[str, tuple[str, ...]], ...],
    sets: tuple[tuple[str, ...], ...],
) -> str | None:
    if len(parts) > 1:
        return f"{what} holds one part, the plate has {len(parts)}"
    names = set(parts[0][1])
    if any(names == set(fits) for fits in sets):
        return None
    extra = sorted(names - {"R", "G", "B", "A"})
    return f"{what} cannot hold the channels {', '.join(extra) or ', '.join(sorted(names))}"


def timecode(frame: Frame) -> str | None:
    """SMPTE ST 12-1 label of a frame, if it has one."""
    if frame.format == "exr":
        return exrheader.timecode(frame.parts[0])
    found = frame.parts[0].header.get("timecode")
    return str(found) if found is not None else None


def outgoing(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp, filename: str
) -> tuple[Frame, tuple[str, ...]]:
    """The frame to write, and notes on header fields that were restamped or left out.

    Args:
        frame: The source.
        planes: New colour planes.
        output: What is ordered.
        stamp: What the header has to say.
        filename: Name the result will have.

    Raises:
        CannotCarryError: The result's format cannot hold the frame.
    """
    if output.format == "exr":
        parts = frame.parts if frame.format == "exr" else _exr_parts(frame)
        return _as_exr(Frame("exr", parts), planes, output, stamp)
    if frame.format == "dpx":
        return _dpx_again(frame, planes, output, stamp, filename)
    return _as_dpx(frame, planes, output, stamp, filename)


def _as_exr(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp
) -> tuple[Frame, tuple[str, ...]]:
    notes: list[str] = []
    parts = []
    for index, part in enumerate(frame.parts):
        own = {name: plane for (where, name), plane in planes.items() if where == index}
        part = part.with_planes(own)
        if output.compression != "source":
            part = exrheader.with_compression(part, output.compression)
        if own and stamp.space_changed:
            part = _restamped(part, stamp, notes)
        parts.append(part)
    if output.container == "aces":
        parts = [_aces(parts[0], notes)]
    parts[0] = _marked(parts[0], stamp)
    return Frame("exr", tuple(parts)), tuple(notes)


def _marked(part: Part, stamp: Stamp) -> Part:
    told = bool(stamp.history)
    return exrheader.with_attributes(
        part,
        {
            exrheader.STOPS: float(stamp.stops) if told else None,
            exrheader.RECIPE: ",".join(stamp.history) if told else None,
        },
    )


def _restamped(part: Part, stamp: Stamp, notes: list[str]) -> Part:
    """Fields that speak of the old space speak of the new one, or are silent."""
    changes: dict[str, object] = {}
    for name in _COLOUR_ATTRIBUTES:
        if name in part.header:
            changes[name] = None
            notes.append(f"{name} removed: it spoke of the source's colour space")
    if stamp.chromaticities is not None:
        changes["chromaticities"] = stamp.chromaticities
        notes.append("chromaticities set to the result's primaries")
    return exrheader.with_attributes(part, changes)


def _aces(part: Part, notes: list[str]) -> Part:
    """The header that SMPTE ST 2065-4 asks for: flag, AP0, no compression, scanlines."""
    kept = {name: plane for name, plane in part.channels.items() if name in _ACES_CHANNELS[1]}
    left = sorted(set(part.channels) - set(kept))
    if left:
        notes.append(f"channels {', '.join(left)} left out: an ACES container cannot hold them")
    alpha = {"A": kept["A"].astype(np.float16)} if "A" in kept else {}
    part = Part("", {**kept, **alpha}, part.header)
    return exrheader.as_aces(part)


def _exr_parts(frame: Frame) -> tuple[Part, ...]:
    """Another format's parts with the header fields that EXR has a place for."""
    source = frame.parts[0]
    if len(frame.parts) > 1:
        raise CannotCarryError(
            f"has {len(frame.parts)} image elements; as EXR only one can be told",
            remedy="write it as DPX",
        )
    channels = {
        name: _as_half(plane, source.bits) if name == "A" else plane
        for name, plane in source.channels.items()
    }
    header = exrheader.new_header(
        height=source.size[0],
        width=source.size[1],
        timecode=timecode(frame),
        rate=_text(source.header.get("rate")),
        pixel_aspect=pixel_aspect(source.header),
    )
    for name in ("dataWindow", "displayWindow"):
        if name in source.header:
            header[name] = source.header[name]
    return (Part("", channels, header),)


def _as_half(plane: Plane, bits: int | None) -> Plane:
    """Coverage as a share of its full code."""
    if bits is None:
        return plane
    return (plane / np.float32(top_code(bits))).astype(np.float16)


def _dpx_again(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp, filename: str
) -> tuple[Frame, tuple[str, ...]]:
    notes: list[str] = []
    parts = [
        part.with_planes({name: plane for (where, name), plane in planes.items() if where == i})
        for i, part in enumerate(frame.parts)
    ]
    raw = _renamed(frame.raw, filename)
    if output.type != "source":
        bits = int(output.type.removeprefix("uint"))
        parts, raw = _at_depth(parts, raw, bits, filename)
        notes.append(f"depth and packing set for {bits} bit")
    if stamp.space_changed:
        transfer = _DPX_TRANSFER.get(stamp.encoding, 0)
        raw = dpxheader.patched(raw, transfer=transfer, colorimetric=0)
        notes.append(f"transfer set to {transfer}, colorimetric to 0: the colour space changed")
    return Frame("dpx", tuple(parts), raw), tuple(notes)


def _renamed(raw: bytes, filename: str) -> bytes:
    """The header's file name follows the file, where the header told one."""
    told = dpxheader.value(raw, "file_name")
    return dpxheader.patched(raw, file_name=filename) if told else raw


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
    alpha = {"A": _at_code(part, "A", bits)} if "A" in part.channels else {}
    return [Part("", {**part.channels, **alpha}, {}, bits)], dpxheader.patched(raw, **fields)


def _at_code(part: Part, name: str, bits: int) -> Plane:
    """A channel's code values at another depth, nearest."""
    assert part.bits is not None
    share = part.channels[name].astype(np.float64) / top_code(part.bits)
    return np.rint(share * top_code(bits)).astype(np.uint8 if bits == 8 else np.uint16)


def _as_dpx(
    frame: Frame, planes: Planes, output: OutputOrder, stamp: Stamp, filename: str
) -> tuple[Frame, tuple[str, ...]]:
    part = frame.parts[0]
    _whole_window(part)
    bits = int(output.type.removeprefix("uint"))
    dtype = np.uint8 if bits == 8 else np.uint16
    channels: dict[str, Plane] = {
        name: planes.get((0, name), part.channels[name])
        for fits in _DPX_CHANNELS
        for name in fits
        if name in part.channels
    }
    if "A" in channels:
        full = np.nan_to_num(np.clip(channels["A"].astype(np.float32), 0.0, 1.0))
        channels["A"] = np.rint(full * top_code(bits)).astype(dtype)
    notes = []
    left = sorted(set(part.channels) - set(channels))
    if left:
        notes.append(f"channels {', '.join(left)} left out: DPX cannot hold them")
    rate = exrheader.rate(part) if frame.format == "exr" else None
    raw = dpxheader.new_header(
        width=part.size[1],
        height=part.size[0],
        channels=tuple(channels),
        bits=bits,
        transfer=_DPX_TRANSFER.get(stamp.encoding, 0),
        colorimetric=0,
        timecode=timecode(frame),
        rate=rate,
        filename=filename,
    )
    aspect = Fraction(pixel_aspect(part.header)).limit_denominator(1000)
    if aspect != 1:
        across, down = aspect.as_integer_ratio()
        raw = dpxheader.patched(raw, pixel_aspect_x=across, pixel_aspect_y=down)
    return Frame("dpx", (Part("", channels, {}, bits),), raw), tuple(notes)


def _whole_window(part: Part) -> None:
    data, display = part.header.get("dataWindow"), part.header.get("displayWindow")
    if data is not None and display is not None and not _same(data, display):
        raise CannotCarryError(
            "its data window is not its display window, which DPX cannot tell",
            remedy="write EXR, or crop the plate first",
        )


def _same(one: Any, other: Any) -> bool:
    return bool(np.array_equal(np.asarray(one), np.asarray(other)))


def _text(value: Any) -> str | None:
    return None if value is None else str(value)

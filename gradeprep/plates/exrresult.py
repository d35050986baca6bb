"""The EXR frame of a result: what is kept of the source, and what is restamped."""

from __future__ import annotations

import numpy as np

from gradeprep.errors import CannotCarryError
from gradeprep.model.frame import Frame, Layout, Part, pixel_aspect
from gradeprep.model.order import OutputOrder
from gradeprep.plates import exrheader
from gradeprep.plates.alpha import coverage
from gradeprep.plates.format import Planes, Problem, Shared, Stamp, channel_problem

__all__ = ["carried", "problem", "shared"]

_ACES = "aces"
_ACES_CHANNELS = (("R", "G", "B"), ("R", "G", "B", "A"))
_COLOUR_ATTRIBUTES = ("chromaticities", "colorInteropID", "acesImageContainerFlag")
_WINDOWS = ("dataWindow", "displayWindow")
_UNDERSTOOD = {
    *_WINDOWS,
    *("channels", "chunkCount", "compression", "lineOrder", "name", "tiles", "type", "version"),
    *("dwaCompressionLevel", "screenWindowCenter", "screenWindowWidth"),
    *("pixelAspectRatio", "timeCode", "framesPerSecond"),
    *(exrheader.LINEAR, exrheader.RECIPE, exrheader.STOPS),
}
"""Attributes that describe the file, that formats share, or that are stamped anew."""


def shared(frame: Frame) -> Shared:
    """Header fields of an EXR frame that other formats hold as well."""
    part = frame.parts[0]
    return Shared(
        timecode=exrheader.timecode(part),
        rate=exrheader.rate(part),
        pixel_aspect=pixel_aspect(part.header),
        windows={name: part.header[name] for name in _WINDOWS if name in part.header},
        others=tuple(name for name in part.header if name not in _UNDERSTOOD),
    )


def problem(layout: Layout, output: OutputOrder) -> Problem | None:
    """Why a source does not come out as ordered without loss; None where it does."""
    if output.container == _ACES and not output.only_colour:
        return channel_problem("an ACES container", layout, _ACES_CHANNELS)
    return None


def carried(
    frame: Frame,
    shared: Shared,
    planes: Planes,
    output: OutputOrder,
    stamp: Stamp,
    filename: str,  # EXR headers hold no file name
) -> tuple[Frame, tuple[str, ...]]:
    """The frame to write, and notes; see `gradeprep.plates.format.WritableFormat`.

    Raises:
        CannotCarryError: The source has several image elements, or a channel does not fit.
    """
    notes: list[str] = []
    parts = []
    for index, part in enumerate(frame.parts if frame.format == "exr" else _parts(frame, shared)):
        own = {name: plane for (where, name), plane in planes.items() if where == index}
        part = part.with_planes(own)
        if output.compression != "source":
            part = exrheader.with_compression(part, output.compression)
        if own and stamp.space_changed:
            part = _restamped(part, stamp, notes)
        parts.append(part)
    if output.container == _ACES:
        parts = [_aces(parts[0], notes)]
    parts[0] = _marked(parts[0], stamp)
    return Frame("exr", tuple(parts)), tuple(notes)


def _marked(part: Part, stamp: Stamp) -> Part:
    pulled = bool(stamp.history)
    return exrheader.with_attributes(
        part,
        {
            exrheader.STOPS: float(stamp.stops) if pulled else None,
            exrheader.RECIPE: ",".join(stamp.history) if pulled else None,
        },
    )


def _restamped(part: Part, stamp: Stamp, notes: list[str]) -> Part:
    """Replace or remove the fields that describe the source's colour space."""
    changes: dict[str, object] = {}
    for name in _COLOUR_ATTRIBUTES:
        if name in part.header:
            changes[name] = None
            notes.append(f"{name} removed: it described the source's colour space")
    if stamp.chromaticities is not None:
        changes["chromaticities"] = stamp.chromaticities
        notes.append("chromaticities set to the result's primaries")
    return exrheader.with_attributes(part, changes)


def _aces(part: Part, notes: list[str]) -> Part:
    """The header of SMPTE ST 2065-4: flag, AP0, no compression, scan lines."""
    kept = {name: plane for name, plane in part.channels.items() if name in _ACES_CHANNELS[1]}
    left = sorted(set(part.channels) - set(kept))
    if left:
        notes.append(f"channels {', '.join(left)} left out: an ACES container cannot hold them")
    alpha = {"A": kept["A"].astype(np.float16)} if "A" in kept else {}
    part = Part("", {**kept, **alpha}, part.header)
    return exrheader.as_aces(part)


def _parts(frame: Frame, shared: Shared) -> tuple[Part, ...]:
    """The part of another format's frame, under a header of the fields that EXR holds."""
    source = frame.parts[0]
    if len(frame.parts) > 1:
        raise CannotCarryError(
            f"has {len(frame.parts)} image elements; EXR results are made of one",
            remedy="write it in its own format",
        )
    channels = {
        name: coverage(plane, source.bits, "half") if name == "A" and source.bits else plane
        for name, plane in source.channels.items()
    }
    header = exrheader.new_header(
        height=source.size[0],
        width=source.size[1],
        timecode=shared.timecode,
        rate=shared.rate,
        pixel_aspect=shared.pixel_aspect,
    )
    return (Part("", channels, {**header, **shared.windows}),)

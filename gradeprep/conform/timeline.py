"""A timeline in memory: its picture events, the events without a plate, and findings."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Literal

from gradeprep.model.documents.conform import CdlDocument, Marker, Remark, Transition

__all__ = ["LABEL", "Event", "Point", "Timeline", "cdl_of", "name_of_path", "numbers_in"]

LABEL = r"\d\d:\d\d:\d\d[:;]\d\d"
"""Pattern of a timecode label (SMPTE ST 12-1)."""

_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?|[-+]?(?:nan|inf)(?:inity)?", re.I)

Point = str | Fraction
"""A place in a source or record: a timecode label, or a count of frames at the event's rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One use of a source.

    Attributes:
        number: Its number as the file has it, or its place there.
        place: Its place in the order of the file.
        line: Line of the file, one-based; None in a format without lines.
        track: Name of its track.
        lane: Number of its track among the picture tracks, 0 the lowest.
        reel: Source reel or tape; empty if none is given.
        column: The reel column of an edit decision list, if ``reel`` comes from a note.
        clips: Clip and file names, the best first.
        clip: Clip name; empty if none is given.
        files: File names.
        start: First frame of the source.
        end: The frame after the last one.
        record: The same two in the timeline, if given.
        rate: Frames a second, if given.
        forced: Whether ``rate`` overrides the plate's.
        drop_labels: Whether the file states drop-frame counting for labels that do not show it.
        m2: Source frames played a second, negative for reverse; None for normal speed.
        lead: Frames used before ``start``, by a transition.
        tail: Frames used from ``end`` on, by a transition.
        enters: Transition into this event.
        leaves: Transition out of this event at the end of its track.
        effects: Names of effects that no other attribute holds.
        markers: Its markers.
        notes: Lines that no other attribute holds.
        metadata: Its metadata: plain data of finite numbers.
        offset: Frames from the first one of its media to ``start``, if known.
        first: Frame number of ``start``, if the media is a numbered sequence of files.
        cdl: The ASC CDL that it brings.
        why: Why it has no plate; empty for a picture event.
    """

    number: str
    place: int = 0
    line: int | None = None
    track: str = ""
    lane: int = 0
    reel: str = ""
    column: str = ""
    clips: tuple[str, ...] = ()
    clip: str = ""
    files: tuple[str, ...] = ()
    start: Point
    end: Point
    record: tuple[Point, Point] | None = None
    rate: Fraction | None = None
    forced: bool = False
    drop_labels: bool = False
    m2: Fraction | None = None
    lead: int = 0
    tail: int = 0
    enters: Transition | None = None
    leaves: Transition | None = None
    effects: tuple[str, ...] = ()
    markers: tuple[Marker, ...] = ()
    notes: tuple[str, ...] = ()
    metadata: Mapping[str, Any] = field(default_factory=dict)
    offset: int | None = None
    first: int | None = None
    cdl: CdlDocument | None = None
    why: str = ""

    @property
    def name(self) -> str:
        """Name of its source."""
        return next(iter(self.clips), self.reel)

    def remark(
        self, severity: Literal["note", "warn", "fail"], what: str, remedy: str = ""
    ) -> Remark:
        """A finding about this event."""
        return Remark(
            severity=severity, what=what, event=self.number, line=self.line, remedy=remedy
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Events in the order of the file.

    Attributes:
        events: Events that need a plate.
        others: Events without one: black, gaps, generators, disabled clips.
        title: Title of the timeline.
        remarks: Findings about the file.
    """

    events: tuple[Event, ...]
    others: tuple[Event, ...] = ()
    title: str = ""
    remarks: tuple[Remark, ...] = ()


def numbers_in(text: str) -> list[float]:
    """Every number of a text, NaN and infinities included, whatever separates them."""
    return [float(number) for number in _NUMBER.findall(text)]


def cdl_of(sop: Iterable[float] | None, saturation: float | None) -> tuple[CdlDocument | None, str]:
    """An ASC CDL of nine numbers and a saturation, or the reason why it is not one.

    Legal are a slope of zero or more, a power over zero, a saturation of zero or more, all finite
    (ASC CDL release 1.2).
    """
    values = [1.0] * 3 + [0.0] * 3 + [1.0] * 3 if sop is None else list(sop)
    if len(values) != 9:
        return None, f"{len(values)} numbers where slope, offset and power need nine"
    sat = 1.0 if saturation is None else saturation
    slope, offset, power = (tuple(values[i : i + 3]) for i in (0, 3, 6))
    if not all(map(math.isfinite, (*values, sat))):
        return None, "a number is not finite"
    if min(slope) < 0:
        return None, f"slope {min(slope):g} is negative"
    if min(power) <= 0:
        return None, f"power {min(power):g} is not over 0"
    if sat < 0:
        return None, f"saturation {sat:g} is negative"
    return CdlDocument.model_validate(
        {"slope": slope, "offset": offset, "power": power, "saturation": sat}
    ), ""


def name_of_path(text: str) -> str:
    """The last step of a path or URL of any operating system."""
    return re.split(r"[/\\]", text.strip().rstrip("/\\"))[-1]

"""A timeline as far as plates are concerned: its picture events, and what could not be read."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from gradeprep.model.documents.conform import CdlDocument, Remark

__all__ = ["LABEL", "Event", "Timeline", "cdl_of", "name_of_path", "numbers_in"]

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
        line: Line of the file, one-based; None in a format without lines.
        track: Name of its track.
        reel: Source reel or tape; empty where none is told.
        clips: Clip and file names, the best first.
        start: First frame of the source.
        end: The frame behind the last one.
        record: The same two in the timeline, if told.
        rate: Frames a second, if told.
        says_drop: Whether the file says that labels are drop-frame where they do not show it.
        m2: Frames of the source played a second, negative for backwards; None for plain speed.
        lead: Frames used before ``start``, by a transition.
        tail: Frames used from ``end`` on, by a transition.
        offset: Frames from the first one of its media to ``start``, if told.
        first: Frame number of ``start``, where the media is told as numbered files.
        cdl: The ASC CDL that it brings.
    """

    number: str
    line: int | None = None
    track: str = ""
    reel: str = ""
    clips: tuple[str, ...] = ()
    start: Point
    end: Point
    record: tuple[Point, Point] | None = None
    rate: Fraction | None = None
    says_drop: bool = False
    m2: Fraction | None = None
    lead: int = 0
    tail: int = 0
    offset: int | None = None
    first: int | None = None
    cdl: CdlDocument | None = None

    @property
    def name(self) -> str:
        """What to call its source."""
        return next(iter(self.clips), self.reel)

    def remark(
        self, severity: Literal["note", "warn", "fail"], what: str, remedy: str = ""
    ) -> Remark:
        """A remark on this event."""
        return Remark(
            severity=severity, what=what, event=self.number, line=self.line, remedy=remedy
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Events in the order of the file, and remarks on lines that are none."""

    events: tuple[Event, ...]
    remarks: tuple[Remark, ...] = ()


def numbers_in(text: str) -> list[float]:
    """Every number of a text, NaN and infinities among them, however they are parted."""
    return [float(number) for number in _NUMBER.findall(text)]


def cdl_of(sop: Iterable[float] | None, saturation: float | None) -> tuple[CdlDocument | None, str]:
    """An ASC CDL of nine numbers and a saturation, or the reason why it is none.

    Legal are a slope of zero or more, a power over zero, a saturation of zero or more, all finite
    (ASC CDL release 1.2).
    """
    values = [1.0] * 3 + [0.0] * 3 + [1.0] * 3 if sop is None else list(sop)
    if len(values) != 9:
        return None, f"{len(values)} numbers where slope, offset and power are nine"
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
    """The last step of a path or address, of whatever system it is."""
    return re.split(r"[/\\]", text.strip().rstrip("/\\"))[-1]

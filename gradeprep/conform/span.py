"""Which frames an event uses: from labels to counts at the exact rate, to frame numbers.

What is uncertain is covered rather than cut: lists disagree on which end of a reversed source they
give, and on whether the source of a changed speed is as long as it plays or as the record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from gradeprep.conform.library import Plate
from gradeprep.conform.runs import Run
from gradeprep.conform.timeline import Event, Point
from gradeprep.model import timecode
from gradeprep.model.documents.conform import Remark
from gradeprep.model.framerange import FrameRange

__all__ = ["Span", "frame_at", "moved", "present", "span_at"]

_PLAIN = Fraction(2, 1000)  # speeds as near to 1 as 24 is to 24000/1001 are no change


@dataclass(frozen=True, slots=True)
class Span:
    """Counts of frames that an event uses, from ``start`` up to ``end``, at a rate.

    Attributes:
        start: Count of the first frame.
        end: Count after the last frame.
        rate: Frames a second.
        at: Count of the event's own first label.
        spare: Frames that are covered in doubt and need not be on disk.
        remarks: Findings.
    """

    start: int
    end: int
    rate: Fraction
    at: int
    spare: int = 0
    remarks: tuple[Remark, ...] = ()


def span_at(event: Event, plate: Plate) -> Span | Remark:
    """Frames that an event uses of a plate, as counts; or why they are unknown."""
    rate = event.rate if event.forced and event.rate else plate.rate or event.rate
    if rate is None:
        what = f"neither the timeline nor {plate} has a rate"
        return event.remark("fail", what, "give it with --rate")
    remarks = []
    if event.forced and plate.rate not in (None, rate):
        what = f"--rate {rate} overrides the {plate.rate} of {plate}"
        remarks.append(event.remark("note", what))
    listed = event.rate or rate
    if listed != rate:
        what = f"rate mismatch: timeline {listed} frames a second, {plate} {rate}"
        if round(listed) != round(rate):
            remedy = "retime in the edit, or give the right rate with --rate"
            return event.remark("fail", what, remedy)
        remarks.append(event.remark("warn", f"{what}; their labels count alike"))
    drop = _drop(event, plate)
    if isinstance(drop, Remark):
        return drop
    nominal = round(rate)
    start, end = _count(event.start, nominal, drop), _count(event.end, nominal, drop)
    if start is None or end is None:
        bad = event.start if start is None else event.end
        return event.remark("fail", f"label {bad} does not exist at {rate} frames a second")
    span = Span(start, end, rate, start, remarks=tuple(remarks))
    return _played(event, span, _record(event, nominal), plate)


def _drop(event: Event, plate: Plate) -> bool | Remark:
    """Whether labels are drop-frame; the file and the plate decide if they do not show it."""
    shown = any(isinstance(point, str) and ";" in point for point in (event.start, event.end))
    if not isinstance(event.start, str):
        return False
    if (shown and plate.drop is False) or (plate.drop and not (shown or event.drop_labels)):
        here, there = ("drop-frame", "non-drop") if shown else ("non-drop", "drop-frame")
        what = f"rate mismatch: its labels are {here}, those of {plate} are {there}"
        return event.remark("fail", what, "export the list in the plate's counting")
    return shown or (event.drop_labels and plate.drop is not False)


def _count(point: Point, nominal: int, drop: bool) -> int | None:
    if not isinstance(point, str):
        return int(point)
    return timecode.count(f"{point[:8]};{point[9:]}" if drop else point, nominal)


def _record(event: Event, nominal: int) -> int | None:
    """Length of the event in the timeline, if known."""
    if event.record is None:
        return None
    drop = event.drop_labels or any(";" in str(point) for point in event.record)
    start, end = (_count(point, nominal, drop) for point in event.record)
    return None if start is None or end is None else end - start


def _played(event: Event, span: Span, record: int | None, plate: Plate) -> Span | Remark:
    """The span as it plays: at its speed, and extended under its transitions."""
    speed = Fraction(1) if event.m2 is None else event.m2 / span.rate
    given = span.end - span.start
    if given < 0:
        day = timecode.day(round(span.rate), drop=bool(plate.drop))
        if given < -day // 2:  # over midnight
            span, given = replace(span, end=span.end + day), given + day
        elif speed > 0:
            what = f"its source ends before it begins: {event.start} to {event.end}"
            return event.remark("fail", what, "a reverse needs its M2 line")
    if abs(speed - 1) <= _PLAIN:
        if record is not None and given not in (record, 0):
            what = f"source of {given} frames, record of {record}: an unlisted change of speed"
            span = _reported(event, span, what)
        return replace(span, start=span.start - event.lead, end=span.end + event.tail)
    return _retimed(event, span, abs(given) if record is None else record, speed)


def _retimed(event: Event, span: Span, length: int, speed: Fraction) -> Span:
    """The span at another speed; transitions add source frames at the same speed."""
    given = abs(span.end - span.start)
    lead, tail = (math.ceil(frames * abs(speed)) for frames in (event.lead, event.tail))
    if speed == 0:
        what = f"freeze of one frame for {length}"
        return replace(_reported(event, span, what), end=span.start + 1)
    used = max(1, math.ceil(length * abs(speed))) if given == length else given
    text = f"speed {float(speed * 100):.4g} %: {used} source frames for {length}"
    if speed > 0:
        whole = math.ceil((length + event.tail) * speed) if given == length else given + tail
        end = span.start + max(1, whole)
        return replace(_reported(event, span, text), start=span.start - lead, end=end)
    if span.end < span.start or given != length:  # both ends are given
        low, high = sorted((span.start, span.end))
        span = replace(
            _reported(event, span, f"reverse, {text}"), spare=max(0, high + 1 - low - used)
        )
        return replace(span, start=low - tail, end=high + 1 + lead)
    what = f"reverse, {text}; both sides of {event.start} are covered, as lists differ in its end"
    low, high = span.start - used + 1 - tail, span.start + max(used, given) + lead
    spare = high - low - used - tail - lead
    return replace(_reported(event, span, what), start=low, end=high, spare=spare)


def _reported(event: Event, span: Span, what: str) -> Span:
    return replace(span, remarks=(*span.remarks, event.remark("warn", what)))


def moved(event: Event, span: Span, plate: Plate) -> Span:
    """The span on the plate's own counts, if a timeline counts from its media's first frame.

    The plate's timecode comes first, then its file numbers, then the distance from its first frame.
    """
    if isinstance(event.start, str) or present(span, plate, handles=0)[0]:
        return span
    numbers = plate.files.frames
    places = [event.first, None if event.offset is None else numbers.first + event.offset]
    first = next((frame for frame in places if frame is not None and frame in numbers), None)
    if first is None:
        return span
    counts = [run for run in _runs(plate, span.rate) if 0 <= first - run.frame < run.length]
    count = counts[0].count + first - counts[0].frame if counts else first
    by = count - int(event.start)
    what = f"its media counts otherwise than {plate}; it starts at frame {first}"
    span = _reported(event, span, what)
    return replace(span, start=span.start + by, end=span.end + by, at=span.at + by)


def _runs(plate: Plate, rate: Fraction) -> tuple[Run, ...]:
    numbers = plate.files.frames
    plain = Run(numbers.first, numbers.first, numbers.last - numbers.first + 1)
    return plate.runs(round(rate)) or (plain,)


def present(span: Span, plate: Plate, *, handles: int) -> tuple[FrameRange, FrameRange]:
    """Frames of a plate that a span uses, and those with handles, as far as they are on disk.

    Frame numbers of a plate without timecode are counts (common practice).
    """
    return (
        _there(plate, span.rate, span.start, span.end),
        _there(plate, span.rate, span.start - handles, span.end + handles),
    )


def _there(plate: Plate, rate: Fraction, start: int, end: int) -> FrameRange:
    day = timecode.day(round(rate), drop=bool(plate.drop))
    found = [
        frame
        for run in _runs(plate, rate)
        for shift in (0, day, -day)
        for frame in run.frames(start + shift, end + shift)
    ]
    return FrameRange.of(found) & plate.files.frames


def frame_at(span: Span, plate: Plate) -> int:
    """Frame number of an event's own first label, whether it is on disk or not."""
    day = timecode.day(round(span.rate), drop=bool(plate.drop))
    places = [
        (max(run.count - count, count - run.count - run.length + 1, 0), run, count)
        for run in _runs(plate, span.rate)
        for count in (span.at, span.at + day, span.at - day)
    ]
    _, run, count = min(places, key=lambda place: place[0])
    return run.frame + count - run.count

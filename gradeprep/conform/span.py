"""Which frames an event uses: from its labels to counts at the exact rate, to frame numbers.

What is uncertain is covered rather than cut: lists disagree on which end a reversed source is
told by, and whether the source of a changed speed is told as played or as long as the record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from gradeprep.conform.library import Plate, Run
from gradeprep.conform.timeline import Event, Point
from gradeprep.model import timecode
from gradeprep.model.documents.conform import Remark
from gradeprep.model.framerange import FrameRange

__all__ = ["Span", "moved", "present", "span_at"]

_PLAIN = Fraction(2, 1000)  # speeds as near to 1 as 24 is to 24000/1001 are no change


@dataclass(frozen=True, slots=True)
class Span:
    """Counts of frames that an event uses, from ``start`` up to ``end``, at a rate.

    ``spare`` of them were taken in doubt and need not be there.
    """

    start: int
    end: int
    rate: Fraction
    spare: int = 0
    remarks: tuple[Remark, ...] = ()


def span_at(event: Event, plate: Plate) -> Span | Remark:
    """Frames that an event uses of a plate, told in counts; or why they cannot be told."""
    rate = plate.rate or event.rate
    if rate is None:
        what = f"neither the timeline nor {plate} tells a rate"
        return event.remark("fail", what, "say it with --rate")
    told, remarks = event.rate or rate, []
    if told != rate:
        what = f"rate mismatch: the timeline is of {told} frames a second, {plate} of {rate}"
        if round(told) != round(rate):
            return event.remark("fail", what, "say the plate's with --rate, or retime in the edit")
        remarks.append(
            event.remark("warn", f"{what}; labels count alike, frames taken one for one")
        )
    drop = _drop(event, plate)
    if isinstance(drop, Remark):
        return drop
    nominal = round(rate)
    start, end = _count(event.start, nominal, drop), _count(event.end, nominal, drop)
    if start is None or end is None:
        bad = event.start if start is None else event.end
        return event.remark("fail", f"label {bad} does not exist at {rate} frames a second")
    span = Span(start, end, rate, remarks=tuple(remarks))
    return _played(event, span, _record(event, nominal), plate)


def _drop(event: Event, plate: Plate) -> bool | Remark:
    """Whether the labels are drop-frame; where they do not show it, the file and the plate do."""
    shown = any(isinstance(point, str) and ";" in point for point in (event.start, event.end))
    if not isinstance(event.start, str):
        return False
    if (shown and plate.drop is False) or (plate.drop and not (shown or event.says_drop)):
        here, there = ("drop-frame", "non-drop") if shown else ("non-drop", "drop-frame")
        what = f"rate mismatch: its labels are {here}, those of {plate} are {there}"
        return event.remark("fail", what, "export the list in the plate's counting")
    return shown or (event.says_drop and plate.drop is not False)


def _count(point: Point, nominal: int, drop: bool) -> int | None:
    if not isinstance(point, str):
        return int(point)
    return timecode.count(f"{point[:8]};{point[9:]}" if drop else point, nominal)


def _record(event: Event, nominal: int) -> int | None:
    """Length of the event in the timeline, if it can be told."""
    if event.record is None:
        return None
    drop = event.says_drop or any(";" in str(point) for point in event.record)
    start, end = (_count(point, nominal, drop) for point in event.record)
    return None if start is None or end is None else end - start


def _played(event: Event, span: Span, record: int | None, plate: Plate) -> Span | Remark:
    """The span as it is played: at its speed, and on under its transitions."""
    speed = Fraction(1) if event.m2 is None else event.m2 / span.rate
    told = span.end - span.start
    if told < 0 and speed > 0:
        day = timecode.day(round(span.rate), drop=bool(plate.drop))
        if told < -day // 2:  # it runs over midnight
            span, told = replace(span, end=span.end + day), told + day
        else:
            return event.remark("fail", f"its source ends before it begins: {_told(event)}")
    if abs(speed - 1) > _PLAIN:
        span = _retimed(event, span, record, speed)
    elif record is not None and told not in (record, 0):
        what = f"source of {told} frames, record of {record}: a change of speed that nobody tells"
        span = _said(event, span, what)
    more = math.ceil(event.tail * max(abs(speed), Fraction(1)))
    return replace(span, start=span.start - event.lead, end=span.end + more)


def _retimed(event: Event, span: Span, record: int | None, speed: Fraction) -> Span:
    told = abs(span.end - span.start)
    length = told if record is None else record
    used = max(1, math.ceil(length * abs(speed))) if told == length else told
    says = f"speed {float(speed * 100):.4g} %: {used} source frames for {length}"
    if speed == 0:
        return replace(_said(event, span, f"freeze of one frame for {length}"), end=span.start + 1)
    if speed > 0:
        return replace(_said(event, span, says), end=span.start + used)
    if told != length:
        low, high = sorted((span.start, span.end))
        return replace(_said(event, span, f"reverse, {says}"), start=low, end=high + 1)
    both = (
        f"reverse, {says}; taken on both sides of {event.start}, for lists differ in the end told"
    )
    low, high = span.start - used + 1, span.start + max(used, told)
    return replace(_said(event, span, both), start=low, end=high, spare=high - low - used)


def _said(event: Event, span: Span, what: str) -> Span:
    return replace(span, remarks=(*span.remarks, event.remark("warn", what)))


def _told(event: Event) -> str:
    return f"{event.start} to {event.end}"


def moved(event: Event, span: Span, plate: Plate) -> Span:
    """The span on the plate's own counts, where a timeline counts from its media's first frame.

    A timecode that the plate has wins; then numbers of files that it has; then the distance from
    the first frame.
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
    what = f"its media counts otherwise than {plate}; begun at frame {first}"
    return replace(_said(event, span, what), start=span.start + by, end=span.end + by)


def _runs(plate: Plate, rate: Fraction) -> tuple[Run, ...]:
    numbers = plate.files.frames
    plain = Run(numbers.first, numbers.first, numbers.last - numbers.first + 1)
    return plate.runs(round(rate)) or (plain,)


def present(span: Span, plate: Plate, *, handles: int) -> tuple[FrameRange, FrameRange]:
    """Frames of a plate that a span uses, and those with handles, as far as they are there.

    Where the plate has no timecode, its frame numbers are taken for counts (common practice).
    """
    nominal = round(span.rate)
    runs = _runs(plate, span.rate)
    day = timecode.day(nominal, drop=bool(plate.drop))

    def there(start: int, end: int) -> FrameRange:
        found = [
            frame
            for run in runs
            for shift in (0, day, -day)
            for frame in run.frames(start + shift, end + shift)
        ]
        return FrameRange.of(found) & plate.files.frames

    return there(span.start, span.end), there(span.start - handles, span.end + handles)

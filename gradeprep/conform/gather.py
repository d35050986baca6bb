"""Events to shots: each finds its plate and its frames; a shot is a plate, or one event of it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from gradeprep.conform.library import Library, Plate
from gradeprep.conform.match import Match, match
from gradeprep.conform.span import Span, moved, present, span_at
from gradeprep.conform.timeline import Event, Timeline
from gradeprep.model.documents.conform import EventDocument, Remark
from gradeprep.model.framerange import FrameRange

__all__ = ["Gathered", "Use", "gather"]

_ODD = re.compile(r"[^A-Za-z0-9_.-]+")
_NAME_LIMIT = 120  # of the 150 bytes that a shot's name may have


@dataclass(frozen=True, slots=True)
class Use:
    """What is used of a plate.

    Attributes:
        plate: The plate.
        frames: Its frames, handles included, each once.
        events: The events that use them.
    """

    plate: Plate
    frames: FrameRange
    events: tuple[EventDocument, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """Shots by name, in the order of the timeline, and all that must be said."""

    shots: dict[str, Use] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True)
class _Placed:
    plate: Plate
    frames: FrameRange
    told: EventDocument


def gather(
    timeline: Timeline, library: Library, *, handles: int = 0, per_event: bool = False
) -> Gathered:
    """Find plate and frames of every event.

    Args:
        timeline: The events.
        library: The plates.
        handles: Frames to take before and after each event, as far as they are there.
        per_event: A shot for each event, though frames may be used twice then.
    """
    remarks = [*timeline.remarks, *library.remarks]
    placed = [
        found for event in timeline.events if (found := _place(event, library, handles, remarks))
    ]
    remarks.sort(key=lambda remark: (remark.line or 0, remark.event or ""))
    groups = _groups(placed, library, per_event=per_event)
    return Gathered(dict(_uses(groups)), tuple(remarks))


def _place(event: Event, library: Library, handles: int, remarks: list[Remark]) -> _Placed | None:
    found = match(event, library.plates)
    if isinstance(found, Remark):
        remarks.append(found)
        return None
    plate = found.plate
    span = span_at(event, plate)
    if isinstance(span, Remark):
        remarks.append(span)
        return None
    span = moved(event, span, plate)
    used, frames = present(span, plate, handles=handles)
    if not used:
        remarks.append(_outside(event, plate))
        return None
    before = sum(frame < used.first for frame in frames)
    after = sum(frame > used.last for frame in frames)
    remarks += [*found.remarks, *span.remarks, *_lacking(event, span, used, plate)]
    if (before, after) != (handles, handles):
        what = f"handles of {before} before and {after} after; {plate} has no more"
        remarks.append(event.remark("note", what))
    return _Placed(plate, frames, _told(event, found, span, used, (before, after)))


def _outside(event: Event, plate: Plate) -> Remark:
    ends = (plate.first.timecode, plate.last.timecode)
    has = f"timecode {ends[0]} to {ends[1]}" if all(ends) else f"frames {plate.files.frames}"
    what = f"source {event.start} to {event.end} is not in {plate}, which has {has}"
    return event.remark("fail", what, "bring the missing part, or correct the list")


def _lacking(event: Event, span: Span, used: FrameRange, plate: Plate) -> Iterator[Remark]:
    length = span.end - span.start - span.spare
    lacks = length - len(used)
    if lacks > 0:
        what = f"{lacks} of its {length} frames are not in {plate}"
        yield event.remark("fail", what, f"it has {plate.files.frames}")


def _told(
    event: Event, found: Match, span: Span, used: FrameRange, handles: tuple[int, int]
) -> EventDocument:
    record = None if event.record is None else (str(event.record[0]), str(event.record[1]))
    return EventDocument(
        event=event.number,
        line=event.line,
        reel=_clean(event.reel),
        clip=_clean(next(iter(event.clips), "")),
        track=_clean(event.track),
        source=(str(event.start), str(event.end)),
        record=record,
        rate=str(span.rate),
        frames=str(used),
        handles=handles,
        found=found.by,
        cdl=event.cdl,
    )


def _clean(text: str) -> str:
    """Without the control characters that no recipe can hold."""
    return "".join(char if char.isprintable() else " " for char in text)


def _groups(
    placed: Iterable[_Placed], library: Library, *, per_event: bool
) -> dict[str, list[_Placed]]:
    """Placed events by the name of their shot."""
    owners: dict[tuple[str, str], str] = {}
    groups: dict[str, list[_Placed]] = {}
    for one in placed:
        name = _shot_name(one.plate, library)
        key = (str(one.plate.files.pattern), one.told.event if per_event else "")
        if per_event:
            name = f"{name}_e{one.told.event}"
            key = (key[0], f"{key[1]} {one.told.line} {one.told.source}")
        if key not in owners:
            owners[key] = _free(name, groups)
        groups.setdefault(owners[key], []).append(one)
    return groups


def _shot_name(plate: Plate, library: Library) -> str:
    pattern = plate.files.pattern
    head = pattern.head.removesuffix(pattern.tail) if not pattern.width else pattern.head
    stem = head.rstrip("._- ") or plate.folder
    if library.once[pattern.head.casefold()] > 1 and plate.folder:
        stem = f"{plate.folder}_{stem}"
    return _ODD.sub("_", stem).strip("._-")[:_NAME_LIMIT] or "shot"


def _free(name: str, taken: Iterable[str]) -> str:
    """The name, or the same with a number; disks may not tell case apart."""
    known = {one.casefold() for one in taken}
    names = (name if number == 1 else f"{name}_{number}" for number in range(1, len(known) + 2))
    return next(one for one in names if one.casefold() not in known)


def _uses(groups: dict[str, list[_Placed]]) -> Iterator[tuple[str, Use]]:
    for name, placed in groups.items():
        frames = FrameRange.of(frame for one in placed for frame in one.frames)
        yield name, Use(placed[0].plate, frames, tuple(one.told for one in placed))

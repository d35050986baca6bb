"""Events to shots: each finds its plate and its frames; a shot is a plate, or one event of it."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from gradeprep.conform import listed
from gradeprep.conform.library import Library, Plate
from gradeprep.conform.match import Choice, Finder, Match
from gradeprep.conform.names import folded, names_of
from gradeprep.conform.span import Span, frame_at, moved, present, span_at
from gradeprep.conform.timeline import Event, Timeline
from gradeprep.model.documents.conform import EventDocument, Remark, Unplaced
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
        others: Events without a plate that follow these in the timeline.
    """

    plate: Plate
    frames: FrameRange
    events: tuple[EventDocument, ...]
    others: tuple[Unplaced, ...] = ()


@dataclass(frozen=True, slots=True)
class Gathered:
    """Shots by name, in the order of the timeline.

    Attributes:
        shots: Name to what it uses.
        title: Title of the timeline.
        unplaced: Events without a plate.
        remarks: Findings, in the order of the file.
    """

    shots: dict[str, Use] = field(default_factory=dict)
    title: str = ""
    unplaced: tuple[Unplaced, ...] = ()
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True)
class _Placed:
    place: int
    plate: Plate
    frames: FrameRange
    event: EventDocument


def gather(
    timeline: Timeline,
    library: Library,
    *,
    handles: int = 0,
    per_event: bool = False,
    choice: Choice | None = None,
) -> Gathered:
    """Find plate and frames of every event.

    Args:
        timeline: The events.
        library: The plates.
        handles: Frames to take before and after each event, as far as they are on disk.
        per_event: A shot for each event, though frames may be used twice then.
        choice: How to choose among plates.
    """
    remarks = [*timeline.remarks, *library.remarks]
    placed: list[_Placed] = []
    without: list[tuple[int, Unplaced]] = [
        (event.place, listed.unplaced(event, event.why)) for event in timeline.others
    ]
    for event, found in _found(timeline.events, library, choice or Choice()):
        one = _place(event, found, handles, remarks)
        if one is None:
            without.append((event.place, listed.unplaced(event, "no plate")))
        else:
            placed.append(one)
    remarks += [
        event.remark("warn", "its metadata is larger than a recipe carries: left out")
        for event in (*timeline.events, *timeline.others)
        if listed.oversized(event)
    ]
    remarks.sort(key=lambda remark: (remark.line or 0, remark.event or ""))
    without.sort(key=lambda pair: pair[0])
    groups = _groups(placed, library, per_event=per_event)
    return Gathered(
        dict(_uses(groups, _followers(placed, without))),
        timeline.title,
        tuple(other for _, other in without),
        tuple(remarks),
    )


def _found(
    events: Sequence[Event], library: Library, choice: Choice
) -> list[tuple[Event, Match | Remark]]:
    """Plates by reel and name first; timecode alone finds one that no other event owns."""
    reels = frozenset(form for event in events for form in names_of(event.reel))
    finder = Finder(library, choice, reels)
    first = [(event, finder.find(event)) for event in events]
    owned = {id(one.plate) for _, one in first if isinstance(one, Match) and one.named}
    found = [(event, one or finder.find(event, owned)) for event, one in first]
    return [(event, one) for event, one in found if one is not None]


def _place(
    event: Event, found: Match | Remark, handles: int, remarks: list[Remark]
) -> _Placed | None:
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
    remarks += [*found.remarks, *span.remarks, *_numbered(event, plate)]
    remarks += _lacking(event, span, used, plate)
    if (before, after) != (handles, handles):
        what = f"handles of {before} before and {after} after; {plate} has no more"
        remarks.append(event.remark("note", what))
    found_event = listed.placed(
        event,
        rate=span.rate,
        first=frame_at(span, plate),
        frames=used,
        handles=(before, after),
        found=found.by,
    )
    return _Placed(event.place, plate, frames, found_event)


def _numbered(event: Event, plate: Plate) -> Iterator[Remark]:
    if plate.first.timecode is None and isinstance(event.start, str):
        yield event.remark("warn", f"{plate} has no timecode: matched by frame number")


def _outside(event: Event, plate: Plate) -> Remark:
    ends = (plate.first.timecode, plate.last.timecode)
    has = f"timecode {ends[0]} to {ends[1]}" if all(ends) else f"frames {plate.files.frames}"
    what = f"source {event.start} to {event.end} is not in {plate}, which has {has}"
    return event.remark("fail", what, "correct the list")


def _lacking(event: Event, span: Span, used: FrameRange, plate: Plate) -> Iterator[Remark]:
    length = span.end - span.start - span.spare
    lacks = length - len(used)
    if lacks > 0:
        what = f"{lacks} of its {length} frames are not in {plate}"
        yield event.remark("fail", what, f"it has {plate.files.frames}")


def _followers(
    placed: Sequence[_Placed], without: Iterable[tuple[int, Unplaced]]
) -> dict[int, list[Unplaced]]:
    """Events without a plate by the place of the placed event before them, else of the first."""
    places = [one.place for one in placed]
    found: dict[int, list[Unplaced]] = {}
    for place, other in without if places else ():
        before = places[max(0, bisect_right(places, place) - 1)]
        found.setdefault(before, []).append(other)
    return found


def _groups(
    placed: Iterable[_Placed], library: Library, *, per_event: bool
) -> dict[str, list[_Placed]]:
    """Placed events by the name of their shot."""
    owners: dict[tuple[str, int], str] = {}
    groups: dict[str, list[_Placed]] = {}
    taken: set[str] = set()
    for one in placed:
        name = _shot_name(one.plate, library)
        key = (str(one.plate.files.pattern), one.place if per_event else 0)
        if per_event:
            name = f"{name}_e{one.event.event}"
        if key not in owners:
            owners[key] = _free(name, taken)
            taken.add(owners[key].casefold())
        groups.setdefault(owners[key], []).append(one)
    return groups


def _shot_name(plate: Plate, library: Library) -> str:
    """File name of a plate; with the nearest folder that sets it apart from plates of that name."""
    pattern = plate.files.pattern
    head = pattern.head.removesuffix(pattern.tail) if not pattern.width else pattern.head
    stem = head.rstrip("._- ") or next(iter(plate.folders), "")
    others = [one for one in library.heads[folded(pattern.head)] if one is not plate]
    if others and plate.folders:
        shared = [folder for one in others for folder in one.folders]
        apart = [folder for folder in plate.folders if folder not in shared]
        stem = f"{next(iter(apart), plate.folders[0])}_{stem}"
    return _ODD.sub("_", stem).strip("._-")[:_NAME_LIMIT] or "shot"


def _free(name: str, taken: set[str]) -> str:
    """The name, or the same with a number; disks may not distinguish case."""
    names = (name if number == 1 else f"{name}_{number}" for number in range(1, len(taken) + 2))
    return next(one for one in names if one.casefold() not in taken)


def _uses(
    groups: dict[str, list[_Placed]], followers: dict[int, list[Unplaced]]
) -> Iterator[tuple[str, Use]]:
    for name, placed in groups.items():
        frames = FrameRange.of(frame for one in placed for frame in one.frames)
        others = [other for one in placed for other in followers.get(one.place, ())]
        yield name, Use(placed[0].plate, frames, tuple(one.event for one in placed), tuple(others))

"""Where the shots stand in a timeline: in the cut they were conformed from, else in a row."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gradeprep.errors import GradeprepError, RequestError
from gradeprep.handover.media import Media, media_of
from gradeprep.model import timecode
from gradeprep.model.documents.conform import EventDocument, Unplaced
from gradeprep.model.framerange import FrameRange
from gradeprep.plates import files
from gradeprep.plugins.contracts import Decided

__all__ = ["Cut", "Filler", "Item", "Piece", "RateParams", "count_of", "cut_of", "header_reel"]

_TRACK = "V1"
_BEGIN = ("01:00:00:00", "01:00:00;00")  # where programmes begin (common practice)


class RateParams(BaseModel):
    """Parameters of a form with times."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rate: str | None = Field(
        None, description="Frames a second of plates that state none: 24, 24000/1001"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Some frames of a shot at a place in the timeline.

    Attributes:
        shot: The shot.
        media: How its frames are counted.
        first: Frame number of the first one.
        length: Frames that it covers in the timeline; 0 for the outgoing line of a transition.
        taken: Source frames from its source in to its source out; negative for an out before in.
        record: Count of frames where it stands in the timeline.
        speed: Source frames a frame of the timeline; negative for reverse, 0 for a freeze.
        track: Name of its track.
        lane: Number of its track, 0 the lowest.
        event: The event that it was conformed from, if it was.
    """

    shot: Decided
    media: Media
    first: int
    length: int
    taken: int
    record: int
    speed: Fraction = Fraction(1)
    track: str = _TRACK
    lane: int = 0
    event: EventDocument | None = None

    @property
    def name(self) -> str:
        """Name of the shot."""
        return self.shot.record.shot

    @property
    def clip(self) -> str:
        """Name of the clip: the event's, else the shot's."""
        return (self.event.clip if self.event else "") or self.name

    @property
    def reel(self) -> str:
        """Source reel: the event's, else the one in the plate's header, else the shot's name."""
        return (self.event.reel if self.event else "") or header_reel(self.shot) or self.name

    @property
    def end(self) -> int:
        """Count of the place behind it in the timeline."""
        return self.record + self.length

    @property
    def unlisted(self) -> bool:
        """Whether source and record differ in length without a listed speed."""
        return self.length > 0 and self.speed == 1 and self.taken != self.length


@dataclass(frozen=True, slots=True, kw_only=True)
class Filler:
    """An event without a plate at its place: a gap, black, a generator, a disabled clip.

    Attributes:
        event: The event.
        record: Count of frames where it stands in the timeline.
        length: Frames that it covers.
        source: Counts of its source in and source out.
    """

    event: Unplaced
    record: int
    length: int
    source: tuple[int, int]

    @property
    def name(self) -> str:
        """Name of the clip, else the reel, else what it is."""
        return self.event.clip or self.event.reel or self.event.why

    @property
    def clip(self) -> str:
        """Name of the clip."""
        return self.event.clip

    @property
    def track(self) -> str:
        """Name of its track."""
        return self.event.track or _TRACK

    @property
    def lane(self) -> int:
        """Number of its track, 0 the lowest."""
        return self.event.lane

    @property
    def end(self) -> int:
        """Count of the place behind it in the timeline."""
        return self.record + self.length


Item = Piece | Filler


@dataclass(frozen=True, slots=True)
class Cut:
    """A timeline at one rate, in order.

    Attributes:
        items: Its events, by track and place.
        notes: What does not pass into it.
        title: Title of the timeline that came in; empty if there is none.
    """

    items: tuple[Item, ...]
    notes: tuple[str, ...]
    title: str = ""

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """The events with a plate."""
        return tuple(item for item in self.items if isinstance(item, Piece))

    @property
    def media(self) -> Media:
        """The counting of the first piece: its rate and manner of labels are the timeline's."""
        return self.pieces[0].media

    @property
    def begin(self) -> int:
        """Count where the timeline begins."""
        return min(item.record for item in self.items)

    @property
    def tracks(self) -> dict[tuple[int, str], tuple[Item, ...]]:
        """Its tracks from the lowest, by number and name."""
        found: dict[tuple[int, str], list[Item]] = {}
        for item in self.items:
            found.setdefault((item.lane, item.track), []).append(item)
        return {key: tuple(items) for key, items in found.items()}


def cut_of(shots: Sequence[Decided], asked_rate: str | None) -> Cut:
    """Shots in the cut that their recipe carries from a conform, or one after another.

    Raises:
        RequestError: A shot has no rate, or not all have the same.
    """
    media = {shot.record.shot: media_of(shot.record, asked_rate) for shot in shots}
    rates = {one.rate: name for name, one in media.items()}
    if len(rates) > 1:
        found = ", ".join(f"{rate} ({name})" for rate, name in rates.items())
        raise RequestError(
            f"the plates have several rates: {found}; a timeline has one",
            remedy="hand over the shots of each rate by themselves, with --shot",
        )
    notes = [f"{name}: {one.note}" for name, one in media.items() if one.note]
    events = {shot.record.shot: list(_events(shot.record.carried)) for shot in shots}
    if all(events.values()):
        items: list[Item] = [
            _placed(shot, media[shot.record.shot], event)
            for shot in shots
            for event in events[shot.record.shot]
        ]
        notes += [note for item in items if isinstance(item, Piece) for note in _missing(item)]
        first = media[shots[0].record.shot]
        items += [_filler(one, first) for shot in shots for one in _others(shot.record.carried)]
        # at one place, the outgoing line of a transition stands before the incoming one
        items.sort(key=lambda item: (item.lane, item.track, item.record, item.length > 0))
        return Cut(tuple(items), tuple(notes), _title(shots))
    lacking = [name for name, found in events.items() if not found]
    if len(lacking) < len(shots):
        notes.append(f"{', '.join(lacking)} has no place in the cut: all stand one after another")
    return Cut(tuple(_in_a_row(shots, media)), tuple(notes))


def header_reel(shot: Decided) -> str:
    """The reel in the header of a shot's first source frame; empty if there is none to read."""
    try:
        return next(iter(files.inspect(Path(shot.record.frames[0].source)).reels), "")
    except GradeprepError:  # the source may be elsewhere by now
        return ""


def _title(shots: Sequence[Decided]) -> str:
    titles = {str(shot.record.carried.get("title", "")) for shot in shots}
    return titles.pop() if len(titles) == 1 else ""


def _events(carried: Mapping[str, Any]) -> Iterator[EventDocument]:
    """Events with a place in the timeline; other content of ``carried`` is skipped."""
    listed = carried.get("events")
    for one in listed if isinstance(listed, list | tuple) else ():
        try:
            event = EventDocument.model_validate(one)
            frames = FrameRange.parse(event.frames)
        except (ValidationError, ValueError):
            continue
        if event.record is not None and frames:
            yield event


def _others(carried: Mapping[str, Any]) -> Iterator[Unplaced]:
    listed = carried.get("others")
    for one in listed if isinstance(listed, list | tuple) else ():
        try:
            other = Unplaced.model_validate(one)
        except ValidationError:
            continue
        if other.record is not None:
            yield other


def _placed(shot: Decided, media: Media, event: EventDocument) -> Piece:
    assert event.record is not None
    start, end = (_place(point, media) for point in event.record)
    used = FrameRange.parse(event.frames)
    rate = timecode.rate(event.rate) or media.rate
    speed = Fraction(1) if event.speed is None else Fraction(event.speed) / rate
    length = max(0, end - start)
    return Piece(
        shot=shot,
        media=media,
        first=used.first if event.first is None else event.first,
        length=length,
        taken=_taken(event, rate, speed, length, len(used)),
        record=start,
        speed=speed,
        track=event.track or _TRACK,
        lane=event.lane,
        event=event,
    )


def _taken(event: EventDocument, rate: Fraction, speed: Fraction, length: int, used: int) -> int:
    """Source frames from in to out: as labels list them; a range of counts is as it plays."""
    counts = [count_of(point, round(rate), drop=event.drop) for point in event.source]
    start, end = counts
    if start is None or end is None:
        return used - event.lead - event.tail if event.speed is None else round(length * abs(speed))
    if event.speed is not None and ":" not in event.source[0] and end - start == length:
        return max(1, round(length * abs(speed)))
    return end - start


def _filler(event: Unplaced, media: Media) -> Filler:
    assert event.record is not None
    start, end = (_place(point, media) for point in event.record)
    counts = [count_of(point, round(media.rate), drop=event.drop) for point in event.source or ()]
    first, last = (one or 0 for one in (counts or [0, 0]))
    return Filler(event=event, record=start, length=max(0, end - start), source=(first, last))


def count_of(point: str, nominal: int, *, drop: bool) -> int | None:
    """A label, or a count, as a count; None for neither."""
    if re.fullmatch(r"-?\d+", point):
        return int(point)
    return timecode.count(f"{point[:8]};{point[9:]}" if drop else point, nominal)


def _place(point: str, media: Media) -> int:
    """A label, or a count, of the timeline as a count."""
    found = count_of(point, round(media.rate), drop=media.drop)
    if found is None:
        what = f"'{point}' is no place in a timeline of {media.rate} frames a second"
        raise RequestError(what, key="carried.events", remedy="conform the timeline again")
    return found


def _missing(piece: Piece) -> Iterator[str]:
    """Frames of an event that were not normalized."""
    event = piece.event
    assert event is not None
    missing = FrameRange.parse(event.frames) - FrameRange.of(piece.shot.gains)
    if missing:
        yield f"event {event.event} uses frames of {piece.name} that were not normalized: {missing}"


def _in_a_row(shots: Sequence[Decided], media: Mapping[str, Media]) -> Iterator[Piece]:
    """Every unbroken run of frames, one after another."""
    first = media[shots[0].record.shot]
    place = timecode.count(_BEGIN[first.drop], round(first.rate))
    assert place is not None
    for shot in shots:
        for start, length in _runs(shot.gains):
            own = media[shot.record.shot]
            piece = Piece(
                shot=shot, media=own, first=start, length=length, taken=length, record=place
            )
            yield piece
            place = piece.end


def _runs(frames: Iterable[int]) -> Iterator[tuple[int, int]]:
    numbered = enumerate(sorted(frames))
    for _, group in groupby(numbered, key=lambda pair: pair[1] - pair[0]):
        run = [frame for _, frame in group]
        yield run[0], len(run)

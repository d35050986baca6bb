"""Where the shots stand in a timeline: in the cut they were conformed from, else in a row."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gradeprep.errors import RequestError
from gradeprep.handover.media import Media, media_of
from gradeprep.model import timecode
from gradeprep.model.documents.conform import EventDocument
from gradeprep.model.framerange import FrameRange
from gradeprep.plugins.contracts import Decided

__all__ = ["Cut", "Piece", "RateParams", "cut_of"]

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
        length: How many.
        record: Count of frames where it stands in the timeline.
        track: Name of its track.
        event: The event that it was conformed from, if it was.
    """

    shot: Decided
    media: Media
    first: int
    length: int
    record: int
    track: str = _TRACK
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
        """Source reel: the event's, else the shot's name."""
        return (self.event.reel if self.event else "") or self.name

    @property
    def end(self) -> int:
        """Count of the place behind it in the timeline."""
        return self.record + self.length


@dataclass(frozen=True, slots=True)
class Cut:
    """A timeline at one rate, in order.

    Attributes:
        pieces: What it is made of, by track and place.
        notes: What does not pass into it.
    """

    pieces: tuple[Piece, ...]
    notes: tuple[str, ...]

    @property
    def media(self) -> Media:
        """The counting of the first piece: its rate and manner of labels are the timeline's."""
        return self.pieces[0].media

    @property
    def begin(self) -> int:
        """Count where the timeline begins."""
        return min(piece.record for piece in self.pieces)


def cut_of(shots: Sequence[Decided], asked_rate: str | None) -> Cut:
    """Shots in the cut that their recipe carries from a conform, or one after another.

    Raises:
        RequestError: A shot has no rate, or not all have the same.
    """
    media = {shot.record.shot: media_of(shot.record, asked_rate) for shot in shots}
    rates = {one.rate: name for name, one in media.items()}
    if len(rates) > 1:
        text = ", ".join(f"{rate} ({name})" for rate, name in rates.items())
        raise RequestError(
            f"the plates have several rates: {text}; a timeline has one",
            remedy="hand over the shots of each rate by themselves, with --shot",
        )
    notes = [f"{name}: {one.note}" for name, one in media.items() if one.note]
    events = {shot.record.shot: list(_events(shot.record.carried)) for shot in shots}
    if all(events.values()):
        pieces = [
            _placed(shot, media[shot.record.shot], event)
            for shot in shots
            for event in events[shot.record.shot]
        ]
        notes += [note for piece in pieces for note in _differs(piece)]
        pieces.sort(key=lambda piece: (piece.track, piece.record))
        return Cut(tuple(pieces), tuple(notes))
    lacking = [name for name, found in events.items() if not found]
    if len(lacking) < len(shots):
        notes.append(f"{', '.join(lacking)} has no place in the cut: all stand one after another")
    return Cut(tuple(_in_a_row(shots, media)), tuple(notes))


def _events(carried: Mapping[str, Any]) -> Iterator[EventDocument]:
    """Events with a place in the timeline; a recipe may carry anything, and what is none is not."""
    found = carried.get("events")
    for one in found if isinstance(found, list | tuple) else ():
        try:
            event = EventDocument.model_validate(one)
            frames = FrameRange.parse(event.frames)
        except (ValidationError, ValueError):
            continue
        if event.record is not None and frames:
            yield event


def _placed(shot: Decided, media: Media, event: EventDocument) -> Piece:
    assert event.record is not None
    start, end = (_place(point, media) for point in event.record)
    used = FrameRange.parse(event.frames)
    length = end - start if end > start else len(used)
    return Piece(
        shot=shot,
        media=media,
        first=used.first,
        length=length,
        record=start,
        track=event.track or _TRACK,
        event=event,
    )


def _place(point: str, media: Media) -> int:
    """A label, or a count, of the timeline as a count."""
    nominal = round(media.rate)
    if re.fullmatch(r"-?\d+", point):
        return int(point)
    dropped = f"{point[:8]};{point[9:]}" if media.drop else point
    found = timecode.count(dropped, nominal)
    if found is None:
        what = f"'{point}' is no place in a timeline of {media.rate} frames a second"
        raise RequestError(what, key="carried.events", remedy="conform the timeline again")
    return found


def _differs(piece: Piece) -> Iterator[str]:
    """What of an event the piece does not hold."""
    event = piece.event
    assert event is not None
    used = FrameRange.parse(event.frames)
    if len(used) != piece.length:
        yield (
            f"event {event.event} plays {len(used)} frames of {piece.name} in {piece.length}: "
            "its change of speed, or transition, is not written here"
        )
    missing = used - FrameRange.of(piece.shot.gains)
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
            piece = Piece(shot=shot, media=own, first=start, length=length, record=place)
            yield piece
            place = piece.end


def _runs(frames: Iterable[int]) -> Iterator[tuple[int, int]]:
    numbered = enumerate(sorted(frames))
    for _, group in groupby(numbered, key=lambda pair: pair[1] - pair[0]):
        run = [frame for _, frame in group]
        yield run[0], len(run)

"""The document of `conform`, and the events that a recipe carries from a timeline."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = [
    "CdlDocument",
    "ConformDocument",
    "EventDocument",
    "Listed",
    "Marker",
    "Recut",
    "Remark",
    "Transition",
    "Unplaced",
]

Triple = tuple[float, float, float]


class Remark(CommandDocument):
    """A finding about a timeline.

    Attributes:
        severity: ``note`` (information), ``warn`` (needs a look), ``fail`` (frames are missing).
        what: One sentence.
        event: Number of the event, if it concerns one.
        line: Line of the file, if its format has lines.
        remedy: What to do.
    """

    severity: Literal["note", "warn", "fail"]
    what: str
    event: str | None = None
    line: int | None = None
    remedy: str = ""

    def __str__(self) -> str:
        where = [] if self.line is None else [f"line {self.line}"]
        where += [] if self.event is None else [f"event {self.event}"]
        text = ": ".join(part for part in (", ".join(where), self.what) if part)
        return f"{text}; {self.remedy}" if self.remedy else text


class CdlDocument(CommandDocument):
    """An ASC CDL (release 1.2) of an event; passed on, not applied."""

    slope: Triple = (1.0, 1.0, 1.0)
    offset: Triple = (0.0, 0.0, 0.0)
    power: Triple = (1.0, 1.0, 1.0)
    saturation: float = 1.0


class Transition(CommandDocument):
    """A transition between two events at a cut.

    Attributes:
        kind: ``D`` (dissolve), ``W001`` (wipe and its number), ``K`` (key), or the transition type
            of OpenTimelineIO.
        before: Frames before the cut that it covers; 0 in an edit decision list.
        after: Frames after the cut that it covers; its whole length in an edit decision list.
        name: Its name, if it has one.
        metadata: Its metadata.
    """

    kind: str
    before: int = 0
    after: int = 0
    name: str = ""
    metadata: Mapping[str, Any] = {}


class Marker(CommandDocument):
    """A marker of an event.

    Attributes:
        start: Label in the record (edit decision list) or count of frames in the source.
        length: Frames that it covers.
        name: Its text.
        colour: Its colour, as the file spells it.
        metadata: Its metadata.
    """

    start: str
    length: int = 0
    name: str = ""
    colour: str = ""
    metadata: Mapping[str, Any] = {}


class Listed(CommandDocument):
    """What a timeline lists of an event, whether it has a plate or not.

    Attributes:
        event: Its number in the timeline.
        line: Line of the file, if its format has lines.
        reel: Source reel or tape, as full as the file has it.
        column: The reel column of an edit decision list where it differs from ``reel``.
        clip: Clip name, else the first file name.
        files: File names.
        track: Name of its track.
        lane: Number of its track among the picture tracks, 0 the lowest.
        source: First label (or frame count) of the source and the one after the last.
        record: The same in the timeline, if given.
        drop: Whether the file states drop-frame counting for labels that do not show it.
        speed: Source frames played a second, as a fraction; negative for reverse, 0 for a freeze;
            None for normal speed.
        lead: Frames used before ``source``, by a transition.
        tail: Frames used from the end of ``source`` on, by a transition.
        enters: Transition into this event.
        leaves: Transition out of this event at the end of its track.
        effects: Names of effects that no other field holds.
        markers: Its markers.
        notes: Lines (or comments) that no other field holds.
        metadata: Its metadata.
        cdl: The ASC CDL that the event brings.
    """

    event: str
    line: int | None = None
    reel: str = ""
    column: str = ""
    clip: str = ""
    files: tuple[str, ...] = ()
    track: str = ""
    lane: int = 0
    source: tuple[str, str] | None = None
    record: tuple[str, str] | None = None
    drop: bool = False
    speed: str | None = None
    lead: int = 0
    tail: int = 0
    enters: Transition | None = None
    leaves: Transition | None = None
    effects: tuple[str, ...] = ()
    markers: tuple[Marker, ...] = ()
    notes: tuple[str, ...] = ()
    metadata: Mapping[str, Any] = {}
    cdl: CdlDocument | None = None


class EventDocument(Listed):
    """An event with its frames on a plate; a recipe carries it with the shot.

    Attributes:
        source: First label (or frame count) of the source and the one after the last.
        rate: Frames a second, exact.
        first: Frame number of the first label of ``source``, whether it is on disk or not.
        frames: Frame numbers that it uses, transitions included, handles excluded.
        handles: Frames on disk before and after them, of those requested.
        found: What identified the plate.
    """

    source: tuple[str, str]
    rate: str
    first: int | None = None
    frames: str
    handles: tuple[int, int] = (0, 0)
    found: str


class Unplaced(Listed):
    """An event without a plate; a recipe carries it with the shot of the event before it.

    Attributes:
        why: ``black``, ``gap``, ``generator``, ``disabled``, ``empty`` (no length), ``hidden``
            (trimmed away), or ``no plate``.
        rate: Frames a second of a count in ``source`` and ``record``, if known.
    """

    why: str
    rate: str | None = None


class Recut(CommandDocument):
    """What an update changed in a recipe.

    Attributes:
        came: Shots that are new.
        left: Shots that are no longer in the timeline and stay in the recipe as comments.
        grew: Shot to the frames that it gained.
        shrank: Shot to the frames that it lost.
        kept: Shots with the same frames.
    """

    came: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    grew: Mapping[str, str] = {}
    shrank: Mapping[str, str] = {}
    kept: tuple[str, ...] = ()


class ConformDocument(CommandDocument):
    """The document of ``gradeprep conform --json``.

    Attributes:
        version: Version of the document's format.
        timeline: The timeline's file.
        recipe: The recipe that was written; None where no event found a frame.
        events: Picture events of the timeline.
        shots: Shot to the events that use it.
        plates: Shot to its source plate.
        frames: Shot to the frames of it that are used, handles included.
        unplaced: Events without a plate: black, gaps, generators, disabled or missing clips.
        recut: What ``--update`` changed.
        remarks: Misses, ambiguities, mismatches, effects, in the order of the file.
    """

    version: Literal[1] = Field(1, alias="gradeprep_conform")
    timeline: str
    recipe: str | None = None
    events: int
    shots: Mapping[str, tuple[EventDocument, ...]]
    plates: Mapping[str, str]
    frames: Mapping[str, str]
    unplaced: tuple[Unplaced, ...] = ()
    recut: Recut | None = None
    remarks: tuple[Remark, ...] = ()

"""The document of `conform`: which event of a timeline found its frames, and where."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = ["CdlDocument", "ConformDocument", "EventDocument", "Remark"]

Triple = tuple[float, float, float]


class Remark(CommandDocument):
    """Something that a reader of the timeline must know.

    Attributes:
        severity: ``note`` (good to know), ``warn`` (look at it), ``fail`` (frames are missing).
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
    """An ASC CDL (release 1.2) as a timeline brings it; passed on, never applied."""

    slope: Triple = (1.0, 1.0, 1.0)
    offset: Triple = (0.0, 0.0, 0.0)
    power: Triple = (1.0, 1.0, 1.0)
    saturation: float = 1.0


class EventDocument(CommandDocument):
    """An event that found its frames; this is also what a recipe carries of it.

    Attributes:
        event: Its number in the timeline.
        line: Line of the file, if its format has lines.
        reel: Source reel or tape, as full as the file has it.
        clip: Clip or file name.
        track: Track it stands on.
        source: First label (or frame count) of the source and the one behind the last.
        record: The same in the timeline, if known.
        rate: Frames a second, exact.
        frames: Frame numbers that it uses, without handles.
        handles: Frames that are there before and after them, of those asked for.
        found: What the plate was found by.
        cdl: The ASC CDL that the event brings.
    """

    event: str
    line: int | None = None
    reel: str = ""
    clip: str = ""
    track: str = ""
    source: tuple[str, str]
    record: tuple[str, str] | None = None
    rate: str
    frames: str
    handles: tuple[int, int] = (0, 0)
    found: str
    cdl: CdlDocument | None = None


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
        remarks: Misses, ambiguities, mismatches, effects, in the order of the file.
    """

    version: Literal[1] = Field(1, alias="gradeprep_conform")
    timeline: str
    recipe: str | None = None
    events: int
    shots: Mapping[str, tuple[EventDocument, ...]]
    plates: Mapping[str, str]
    frames: Mapping[str, str]
    remarks: tuple[Remark, ...] = ()

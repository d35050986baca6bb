"""CMX3600 edit decision lists, read line by line; a bad line is reported, the others are kept.

An event is ``NUMBER REEL TRACK KIND [FRAMES] SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT``, kinds
are ``C`` cut, ``D`` dissolve, ``Wnnn`` wipe, ``K`` key; the out points are exclusive. A transition
has two lines: a cut of no length for the outgoing source, then the line of the incoming one with
the number of frames. ``M2`` gives the speed in frames a second (the format's layout is common
practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from gradeprep.conform.notes import marker, note
from gradeprep.conform.timeline import LABEL, Event, Timeline, cdl_of, name_of_path, numbers_in
from gradeprep.model.documents.conform import CdlDocument, Marker, Remark, Transition

__all__ = ["read"]

_EVENT = re.compile(
    rf"\s*(?P<number>\d{{1,9}}[A-Z]?)\s+(?P<reel>\S.*?)\s+(?P<track>[A-Z][A-Z0-9/]*)\s+"
    rf"(?P<kind>C|D|W\d+|K[BO]?)(?:\s+(?P<length>\d+))?\s+"
    rf"({LABEL})\s+({LABEL})\s+({LABEL})\s+({LABEL})\s*",
    re.IGNORECASE,
)
_SPEED = re.compile(
    rf"\s*M2\s+(?P<reel>\S.*?)?\s*(?<=\s)(?P<fps>[-+]?\d+(?:\.\d+)?)\s+{LABEL}\s*", re.IGNORECASE
)
_NUMBERED = re.compile(r"\s*\d+\s")
_NO_REEL = ("AX", "")
_BLACK = ("BL", "BLK", "BLACK")
_NAMES = {"D": "dissolve", "W": "wipe", "K": "key"}


@dataclass
class _Draft:
    """An event whose notes may still follow."""

    number: str
    line: int
    reel: str
    column: str
    track: str
    kind: str
    points: tuple[str, ...]
    drop_labels: bool
    length: int = 0
    follows: bool = False  # whether the draft before it is the outgoing event of its transition
    clips: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    markers: list[Marker] = field(default_factory=list)
    effect: str = ""
    m2: Fraction | None = None
    tail: int = 0
    sop: list[float] | None = None
    saturation: float | None = None
    cdl_line: int = 0

    @property
    def black(self) -> bool:
        return self.column.upper() in _BLACK

    @property
    def empty(self) -> bool:
        return self.points[0] == self.points[1] and not self.tail

    @property
    def enters(self) -> Transition | None:
        if self.kind == "C":
            return None
        return Transition(kind=self.kind, after=self.length, name=self.effect)


def read(lines: list[str], rate: Fraction | None) -> Timeline:
    """Events of an edit decision list.

    Args:
        lines: The file's lines.
        rate: Frames a second, if given; the file has no rate of its own.
    """
    reader = _Reader()
    for number, text in enumerate(lines, 1):
        reader.line(number, text)
    events = [reader.finish(place, draft, rate) for place, draft in enumerate(reader.drafts)]
    return Timeline(
        events=tuple(event for event in events if not event.why),
        others=tuple(event for event in events if event.why),
        title=reader.title,
        remarks=tuple(reader.remarks),
    )


class _Reader:
    def __init__(self) -> None:
        self.drafts: list[_Draft] = []
        self.remarks: list[Remark] = []
        self.title = ""
        self.drop = False
        self.listening: _Draft | None = None  # the event that a note belongs to

    def report(
        self,
        severity: Literal["note", "warn", "fail"],
        what: str,
        line: int,
        event: str | None = None,
    ) -> None:
        self.remarks.append(Remark(severity=severity, what=what, line=line, event=event))

    def line(self, number: int, text: str) -> None:
        bare = text.strip()
        if match := _EVENT.fullmatch(text):
            self.event(number, match)
        elif _NUMBERED.match(text):
            self.listening = None
            self.report("fail", f"not an event: {' '.join(text.split()):.80}", number)
        elif bare.upper().startswith("TITLE:"):
            self.title = bare[6:].strip()
        elif bare.upper().startswith("FCM:"):
            self.drop = "NON" not in bare.upper() and "DROP" in bare.upper()
        elif bare.upper().startswith("M2"):
            self.speed(number, text)
        elif bare and self.listening is not None:
            self.note(number, bare, self.listening)

    def event(self, line: int, match: re.Match[str]) -> None:
        reel = "" if match["reel"].upper() in _NO_REEL else match["reel"]
        track, kind = match["track"].upper(), match["kind"].upper()
        self.listening = None
        if "V" not in track and not track.startswith("B"):
            self.report("note", f"sound only ({track}): no plate", line, match["number"])
            return
        points = match.groups()[-4:]
        column = match["reel"]
        draft = _Draft(match["number"], line, reel, column, track, kind, points, self.drop)
        if kind != "C":
            draft.length = int(match["length"] or 0)
            self.transition(draft)
        self.drafts.append(draft)
        self.listening = draft

    def transition(self, draft: _Draft) -> None:
        """Extend the outgoing event by the length of the transition."""
        name = _NAMES[draft.kind[0]]
        before = self.drafts[-1] if self.drafts else None
        met = before is not None and before.points[3] == draft.points[2]
        text = f"{name} of {draft.length} frames"
        if before is None or not met:
            self.report("warn", f"{text} without an outgoing event", draft.line, draft.number)
            return
        before.tail = draft.length
        draft.follows = True
        odd = before.points[2] == before.points[3] and before.number != draft.number
        self.report(
            "warn" if odd or name == "key" else "note",
            f"{text} from event {before.number} (line {before.line})"
            + (", which has another number" if odd else ""),
            draft.line,
            draft.number,
        )

    def speed(self, line: int, text: str) -> None:
        match = _SPEED.fullmatch(text)
        draft = self.listening
        if match is None or draft is None:
            self.report("fail", f"not the speed of an event: {' '.join(text.split()):.60}", line)
            return
        reel = (match["reel"] or "").upper()
        if draft.follows and reel == self.drafts[-2].column.upper() != draft.column.upper():
            draft = self.drafts[-2]
        draft.m2 = Fraction(match["fps"])

    def note(self, line: int, bare: str, draft: _Draft) -> None:
        found = note(bare)
        if found is None:
            draft.notes.append(bare)
            return
        going = self.drafts[-2] if draft.follows else None
        key, text = found
        handlers: dict[str, Callable[[], None]] = {
            "from clip": lambda: self.clip(going or draft, text),
            "to clip": lambda: draft.clips.insert(0, text),
            "from file": lambda: (going or draft).files.append(text),
            "file": lambda: draft.files.append(text),
            "sop": lambda: self.sop(line, text, draft),
            "saturation": lambda: self.saturation(line, text, draft),
            "marker": lambda: self.marker(bare, text, draft),
            "freeze": lambda: self.freeze(bare, draft),
            "effect": lambda: setattr(draft, "effect", text),
            "reel": lambda: setattr(draft, "reel", text or draft.reel),
        }
        handlers[key]()

    def clip(self, draft: _Draft, text: str) -> None:
        if text and not draft.clips:  # an outgoing event may have its name already
            draft.clips.append(text)

    def marker(self, bare: str, text: str, draft: _Draft) -> None:
        found = marker(text)
        if found is None:
            draft.notes.append(bare)
        else:
            draft.markers.append(found)

    def freeze(self, bare: str, draft: _Draft) -> None:
        draft.notes.append(bare)
        if draft.m2 is None:
            draft.m2 = Fraction(0)

    def sop(self, line: int, text: str, draft: _Draft) -> None:
        draft.sop, draft.cdl_line = numbers_in(text), line

    def saturation(self, line: int, text: str, draft: _Draft) -> None:
        numbers = numbers_in(text)
        draft.cdl_line = draft.cdl_line or line
        if len(numbers) == 1:
            draft.saturation = numbers[0]
        else:
            self.report("warn", f"'{text:.40}' is not a saturation", line, draft.number)

    def finish(self, place: int, draft: _Draft, rate: Fraction | None) -> Event:
        cdl = self.cdl(draft)
        why = "black" if draft.black else "empty" if draft.empty else ""
        if why:
            what = {"black": "black: no plate", "empty": "no length: no frame"}[why]
            self.report("note", what, draft.line, draft.number)
        start, end, record_in, record_out = draft.points
        return Event(
            number=draft.number,
            place=place,
            line=draft.line,
            track=draft.track,
            reel=draft.reel,
            column="" if draft.column == draft.reel else draft.column,
            clips=tuple(dict.fromkeys([*draft.clips, *map(name_of_path, draft.files)])),
            clip=next(iter(draft.clips), ""),
            files=tuple(draft.files),
            start=start,
            end=end,
            record=(record_in, record_out),
            rate=rate,
            drop_labels=draft.drop_labels,
            m2=draft.m2,
            tail=draft.tail,
            enters=draft.enters,
            markers=tuple(draft.markers),
            notes=tuple(draft.notes),
            cdl=cdl,
            why=why,
        )

    def cdl(self, draft: _Draft) -> CdlDocument | None:
        if draft.sop is None and draft.saturation is None:
            return None
        cdl, why = cdl_of(draft.sop, draft.saturation)
        if cdl is None:
            self.report("warn", f"its ASC CDL is not kept: {why}", draft.cdl_line, draft.number)
        return cdl

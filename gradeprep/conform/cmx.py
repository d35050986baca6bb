"""CMX3600 edit decision lists, read line by line; a bad line is told and the others go on.

An event is ``NUMBER REEL TRACK KIND [FRAMES] SOURCE-IN SOURCE-OUT RECORD-IN RECORD-OUT``, kinds
are ``C`` cut, ``D`` dissolve, ``Wnnn`` wipe, ``K`` key; the out points are exclusive. A transition
has two lines: a cut of no length for what goes, then the line of what comes, with the number of
frames. ``M2`` tells the speed in frames a second. Notes begin with ``*`` (the format's layout is
common knowledge of the trade; that notes of a clip's name, file and ASC CDL follow their event is
common practice).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from gradeprep.conform.timeline import LABEL, Event, Timeline, cdl_of, name_of_path, numbers_in
from gradeprep.model.documents.conform import CdlDocument, Remark

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
_NOTE = re.compile(r"\s*\*\s*(?P<key>[A-Z_ ]+?)\s*(?::|(?<=ASC_SOP)|(?<=ASC_SAT))\s*(?P<text>.*)")
_NUMBERED = re.compile(r"\s*\d+\s")
_NO_REEL = ("AX", "")
_BLACK = ("BL", "BLK", "BLACK")


@dataclass
class _Draft:
    """An event while its notes are still to come."""

    number: str
    line: int
    reel: str
    track: str
    kind: str
    points: tuple[str, ...]
    says_drop: bool
    length: int = 0
    clips: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    m2: Fraction | None = None
    tail: int = 0
    sop: list[float] | None = None
    saturation: float | None = None
    cdl_line: int = 0

    @property
    def black(self) -> bool:
        return self.reel.upper() in _BLACK

    @property
    def empty(self) -> bool:
        return self.points[0] == self.points[1] and not self.tail


def read(lines: list[str], rate: Fraction | None) -> Timeline:
    """Events of an edit decision list.

    Args:
        lines: The file's lines.
        rate: Frames a second, if somebody says; the file itself cannot.
    """
    reader = _Reader()
    for number, text in enumerate(lines, 1):
        reader.line(number, text)
    events = [event for draft in reader.drafts if (event := reader.finish(draft, rate))]
    return Timeline(events=tuple(events), remarks=tuple(reader.remarks))


class _Reader:
    def __init__(self) -> None:
        self.drafts: list[_Draft] = []
        self.remarks: list[Remark] = []
        self.drop = False
        self.listening: _Draft | None = None  # whom a note concerns

    def say(
        self,
        severity: Literal["note", "warn", "fail"],
        what: str,
        line: int,
        event: str | None = None,
    ) -> None:
        self.remarks.append(Remark(severity=severity, what=what, line=line, event=event))

    def line(self, number: int, text: str) -> None:
        if match := _EVENT.fullmatch(text):
            self.event(number, match)
        elif _NUMBERED.match(text):
            self.listening = None
            self.say("fail", f"is not an event: {' '.join(text.split()):.80}", number)
        elif text.strip().upper().startswith("FCM:"):
            self.drop = "NON" not in text.upper() and "DROP" in text.upper()
        elif text.strip().upper().startswith("M2"):
            self.speed(number, text)
        elif (match := _NOTE.match(text)) and self.listening is not None:
            self.note(number, match["key"].strip(), match["text"].strip(), self.listening)

    def event(self, line: int, match: re.Match[str]) -> None:
        reel = "" if match["reel"].upper() in _NO_REEL else match["reel"]
        track, kind = match["track"].upper(), match["kind"].upper()
        self.listening = None
        if "V" not in track and not track.startswith("B"):
            self.say("note", f"sound only ({track}): no plate", line, match["number"])
            return
        points = match.groups()[-4:]
        draft = _Draft(match["number"], line, reel, track, kind, points, self.drop)
        if kind != "C":
            draft.length = int(match["length"] or 0)
            self.transition(draft)
        self.drafts.append(draft)
        self.listening = draft

    def transition(self, draft: _Draft) -> None:
        """Let what goes run on for as long as the transition lasts."""
        name = {"D": "dissolve", "W": "wipe", "K": "key"}[draft.kind[0]]
        before = self.drafts[-1] if self.drafts else None
        met = before is not None and before.points[3] == draft.points[2]
        says = f"{name} of {draft.length} frames"
        if before is None or not met:
            self.say("warn", f"{says} from nothing that the list tells", draft.line, draft.number)
            return
        before.tail = draft.length
        odd = before.points[2] == before.points[3] and before.number != draft.number
        self.say(
            "warn" if odd or name == "key" else "note",
            f"{says}: event {before.number} (line {before.line}) runs on under it"
            + (", though its number is another" if odd else ""),
            draft.line,
            draft.number,
        )

    def speed(self, line: int, text: str) -> None:
        match = _SPEED.fullmatch(text)
        draft = self.listening
        if match is None or draft is None:
            self.say("fail", f"is no speed of an event: {' '.join(text.split()):.60}", line)
            return
        before = self.drafts[-2:-1]
        reel = (match["reel"] or "").upper()
        if draft.kind != "C" and before and reel == before[0].reel.upper() != draft.reel.upper():
            draft = before[0]
        draft.m2 = Fraction(match["fps"])

    def note(self, line: int, key: str, text: str, draft: _Draft) -> None:
        going = self.drafts[-2] if draft.kind != "C" and len(self.drafts) > 1 else None
        told: dict[str, Callable[[], None]] = {
            "FROM CLIP NAME": lambda: self.clip(going or draft, text),
            "TO CLIP NAME": lambda: draft.clips.append(text),
            "SOURCE FILE": lambda: draft.files.append(text),
            "FROM FILE": lambda: (going or draft).files.append(text),
            "TO FILE": lambda: draft.files.append(text),
            "ASC_SOP": lambda: self.sop(line, text, draft),
            "ASC_SAT": lambda: self.saturation(line, text, draft),
        }
        if key in ("REEL", "REEL NAME", "SOURCE REEL", "TAPE", "TAPE NAME", "SOURCE TAPE"):
            draft.reel = text or draft.reel
        elif key in told:
            told[key]()

    def clip(self, draft: _Draft, text: str) -> None:
        if not draft.clips:  # what goes was named already where it came
            draft.clips.append(text)

    def sop(self, line: int, text: str, draft: _Draft) -> None:
        draft.sop, draft.cdl_line = numbers_in(text), line

    def saturation(self, line: int, text: str, draft: _Draft) -> None:
        numbers = numbers_in(text)
        draft.cdl_line = draft.cdl_line or line
        if len(numbers) == 1:
            draft.saturation = numbers[0]
        else:
            self.say("warn", f"'{text:.40}' is no saturation", line, draft.number)

    def finish(self, draft: _Draft, rate: Fraction | None) -> Event | None:
        cdl = self.cdl(draft)
        if draft.black:
            self.say("note", "black: no plate", draft.line, draft.number)
            return None
        if draft.empty:
            self.say("note", "has no length: no frame", draft.line, draft.number)
            return None
        start, end, record_in, record_out = draft.points
        return Event(
            number=draft.number,
            line=draft.line,
            track=draft.track,
            reel=draft.reel,
            clips=tuple(dict.fromkeys([*draft.clips, *map(name_of_path, draft.files)])),
            start=start,
            end=end,
            record=(record_in, record_out),
            rate=rate,
            says_drop=draft.says_drop,
            m2=draft.m2,
            tail=draft.tail,
            cdl=cdl,
        )

    def cdl(self, draft: _Draft) -> CdlDocument | None:
        if draft.sop is None and draft.saturation is None:
            return None
        cdl, why = cdl_of(draft.sop, draft.saturation)
        if cdl is None:
            self.say("warn", f"its ASC CDL is not passed on: {why}", draft.cdl_line, draft.number)
        return cdl

"""Events of a track as lines of an edit decision list: cuts, transitions of two lines, speeds."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gradeprep.handover.cut import Cut, Filler, Item, Piece
from gradeprep.model import timecode
from gradeprep.model.documents.conform import Transition

__all__ = ["Line", "kind_of", "lines_of", "reel_of", "speed_lines"]

_KINDS = {"SMPTE_Dissolve": "D", "SMPTE_Wipe": "W001"}


@dataclass(frozen=True, slots=True)
class Line:
    """An event line.

    Attributes:
        number: Event number.
        item: The event.
        outgoing: The event that its transition leaves; None for a cut.
        kind: ``C``, ``D``, ``W001``.
        length: Frames of the transition.
        points: Labels of source in and out, record in and out.
    """

    number: str
    item: Item | None
    outgoing: Item | None
    kind: str
    length: int
    points: tuple[str, ...]

    @property
    def reel(self) -> str:
        """The reel, whole, in one word."""
        return reel_of(self.item)

    @property
    def text(self) -> str:
        """The line."""
        kind = self.kind if self.kind == "C" else f"{self.kind:<4} {self.length:03d}"
        return f"{self.number}  {self.reel:<8} V     {kind:<8} {' '.join(self.points)}"


def reel_of(item: Item | None) -> str:
    """The reel column of an event; ``BL`` for black."""
    if item is None or (isinstance(item, Filler) and item.event.why in ("black", "gap")):
        return "BL"
    if isinstance(item, Filler):
        return re.sub(r"\s+", "_", item.event.column or item.event.reel) or "AX"
    column = item.event.column if item.event else ""
    return re.sub(r"\s+", "_", column or item.reel)


def kind_of(one: Transition) -> str | None:
    """``D`` or ``Wnnn`` for a transition; None for one that has no line here."""
    kind = str((one.metadata.get("gradeprep") or {}).get("edl", one.kind))
    kind = str((one.metadata.get("cmx_3600") or {}).get("transition", kind))
    kind = _KINDS.get(kind, kind)
    return kind if re.fullmatch(r"D|W\d{3}", kind) else None


def lines_of(items: Sequence[Item], cut: Cut) -> Iterator[Line]:
    """Lines of a track in order.

    A transition begins at the record in of its incoming event and the outgoing event is a line of
    no length before it (the format's layout is common practice, no source). One that lies before
    its cut moves the cut to its begin.
    """
    own = all(item.event and re.fullmatch(r"\d{1,6}[A-Z]?", item.event.event) for item in items)
    previous: Item | None = None
    for index, item in enumerate(items):
        behind = items[index + 1] if index + 1 < len(items) else None
        number = item.event.event if own and item.event else f"{index + 1:03d}"
        enters = item.event.enters if item.event else None
        before = enters.before if enters else 0
        after = _taken_away(item, behind)
        gap = isinstance(item, Filler) and item.event.why == "gap"
        if enters is not None:
            if previous is None or previous.length or _number(previous) != _number(item):
                yield _outgoing(number, previous, item.record - before, before, cut)
            kind, length = kind_of(enters) or "", enters.before + enters.after
            points = _points(item, before, after, cut)
            yield Line(number, item, previous, kind, length, points)
        elif not gap:
            yield Line(number, item, None, "C", 0, _points(item, 0, after, cut))
        previous = item


def speed_lines(item: Item | None, start: str) -> Iterator[str]:
    """The ``M2`` line of an event with a speed: source frames a second."""
    if not isinstance(item, Piece) or item.speed == 1:
        return
    notes = item.event.notes if item.event else ()
    if item.speed == 0 and not any("FREEZE" in note.upper() for note in notes):
        yield "* FREEZE FRAME"
    value = float(item.speed * item.media.rate)
    plain = f"{value:.6f}".rstrip("0")
    yield f"M2   {reel_of(item):<8} {plain + '0' if plain.endswith('.') else plain} {start}"


def _number(item: Item) -> str:
    return item.event.event if item.event else ""


def _taken_away(item: Item, behind: Item | None) -> int:
    """Frames at the end of an event that lie behind the begin of the next transition."""
    if behind is None or behind.event is None or behind.event.enters is None:
        return 0
    return behind.event.enters.before if behind.record == item.end else 0


def _outgoing(number: str, item: Item | None, place: int, before: int, cut: Cut) -> Line:
    at = timecode.label(place, round(cut.media.rate), drop=cut.media.drop)
    if item is None or reel_of(item) == "BL" or item.end != place + before:
        zero = timecode.label(0, round(cut.media.rate), drop=cut.media.drop)
        return Line(number, None, None, "C", 0, (zero, zero, at, at))
    out = _points(item, 0, before, cut)[1]
    return Line(number, item, None, "C", 0, (out, out, at, at))


def _points(item: Item, before: int, after: int, cut: Cut) -> tuple[str, ...]:
    """Labels of an event that begins and ends some frames of the record earlier."""

    def at(place: int) -> str:
        return timecode.label(place, round(cut.media.rate), drop=cut.media.drop)

    record = at(item.record - before), at(item.end - after)
    if isinstance(item, Filler):
        first, last = item.source
        last = last if item.event.why != "gap" else first + item.length
        return at(first), at(last + before - after), *record
    first = item.first - round(before * item.speed)
    end = item.first + item.taken - round(after * item.speed)
    return item.media.label(first), item.media.label(end), *record

"""CMX3600 EDL of the source plates, with the gain of each as ASC CDL comments.

It names the hot plates, by reel, clip and file, and not the normalized ones: its ASC lines bring
the hot ones back, and would do so twice to plates that are back already.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path

from gradeprep.conform import cmx
from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.handover.cut import Cut, Filler, Item, Piece, RateParams, cut_of
from gradeprep.handover.edllines import Line, kind_of, lines_of, speed_lines
from gradeprep.model import timecode
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Edl", "EdlParams"]

_RATES = [Fraction(rate) for rate in (24, 25, 30, 48, 50, 60)]
_RATES += [rate * 1000 / 1001 for rate in _RATES if rate % 25]
_SPEED = 1e-6  # six decimals of a line with a speed


class EdlParams(FrameParams, RateParams):
    """Parameters of an EDL."""


class Edl:
    """A file a picture track: source and record in labels, one label a frame."""

    name = "edl"
    summary = "CMX3600 EDL of the source plates, a file a track, gains as ASC CDL comments"
    Params = EdlParams

    def make(
        self, shots: Sequence[Decided], params: EdlParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of all shots; a shot without one gain stands in it without ASC lines."""
        cut = cut_of(shots, params.rate)
        if cut.media.rate not in _RATES:
            what = f"labels do not count {cut.media.rate} frames a second"
            raise RequestError(what, key="--as edl", remedy="ask for otio")
        found = {shot.record.shot: choose(shot, params.frame) for shot in shots}
        made: list[Document | LeftOut] = []
        for index, (key, items) in enumerate(cut.tracks.items()):
            left_out = [LeftOut(item.name, why) for item in items if (why := _beyond(item, cut))]
            made += left_out
            kept = tuple(item for item in items if not _beyond(item, cut))
            if not any(isinstance(item, Piece) for item in kept):
                continue
            name = f"{title}.{re.sub(r'[^A-Za-z0-9]+', '_', key[1])}" if index else title
            lines = tuple(lines_of(kept, cut))
            own = replace(cut, items=kept)
            document = Document(
                name=f"{name}.edl",
                text="\n".join(
                    [
                        *_lines(lines, own, cut.title or title, found),
                        *(f"* LEFT OUT: {one.shot}: {one.why}" for one in left_out),
                    ]
                )
                + "\n",
                shots=tuple(dict.fromkeys(piece.name for piece in own.pieces)),
                prove=partial(_prove, lines=lines, cut=own, found=found),
                notes=_notes(own, found),
            )
            made.append(document)
        made.sort(key=lambda one: isinstance(one, LeftOut))
        return [*made, *(one for one in found.values() if isinstance(one, LeftOut))]


_Found = dict[str, Chosen | LeftOut]


def _beyond(item: Item, cut: Cut) -> str:
    """Why an event has no lines here; empty if it has."""
    event = item.event
    if event is None:
        return ""
    where = f"event {event.event}"
    remedy = "ask for otio"
    if isinstance(item, Filler) and item.event.why not in ("gap", "black", "generator", "no plate"):
        return f"{where} is {item.event.why} and has no lines in an EDL; {remedy}"
    if event.leaves is not None:
        return f"{where} ends its track in a transition, which an EDL does not hold; {remedy}"
    if event.enters is not None and kind_of(event.enters) is None:
        return f"{where} begins with '{event.enters.kind}', which an EDL does not hold; {remedy}"
    if event.effects:
        names = ", ".join(event.effects)
        return f"{where} has effects that an EDL does not hold: {names}; {remedy}"
    moved = event.enters.before if event.enters else 0
    if isinstance(item, Piece) and (moved * item.speed).denominator != 1:
        return f"{where}: its transition begins between two source frames; {remedy}"
    return ""


def _notes(cut: Cut, found: _Found) -> tuple[str, ...]:
    notes = [
        f"{name}: {note}"
        for name, one in found.items()
        if isinstance(one, Chosen)
        for note in one.notes
    ]
    return (*cut.notes, *notes)


def _lines(lines: Sequence[Line], cut: Cut, title: str, found: _Found) -> Iterator[str]:
    yield f"TITLE: {title}"
    yield f"FCM: {'DROP FRAME' if cut.media.drop else 'NON-DROP FRAME'}"
    headed = False
    for index, line in enumerate(lines):
        behind = lines[index + 1] if index + 1 < len(lines) else None
        if index == 0 or line.kind == "C":
            yield ""
        yield line.text
        if behind is not None and behind.kind != "C":
            continue  # notes stand behind both lines of a transition
        before = lines[index - 1] if line.kind != "C" else None
        yield from _names(line, before)
        if isinstance(line.item, Piece):
            yield f"* SOURCE FILE: {Path(line.item.shot.record.source.pattern).name}"
            yield from _asc(line.item, found[line.item.name])
        if before is not None and before.item is not line.item:
            yield from speed_lines(before.item, before.points[0])
        yield from speed_lines(line.item, line.points[0])
        yield from _kept(line, cut)
        if not headed:  # some readers take no note before the first event
            headed = True
            yield f"* {cut.media.rate} FRAMES A SECOND, A LABEL EACH"
            yield "* ASC LINES BRING THE SOURCE PLATES BACK; NORMALIZED ONES HAVE THEM APPLIED"


def _names(line: Line, before: Line | None) -> Iterator[str]:
    clip = line.item.clip if line.item else ""
    if before is None:
        yield from [f"* FROM CLIP NAME: {clip}"] if clip else []
        return
    if before.item is not None and before.item.clip:
        yield f"* FROM CLIP NAME: {before.item.clip}"
    yield from [f"* TO CLIP NAME: {clip}"] if clip else []
    event = line.item.event if line.item else None
    if event is not None and event.enters is not None and event.enters.name:
        yield f"EFFECTS NAME IS {event.enters.name}"


def _kept(line: Line, cut: Cut) -> Iterator[str]:
    """Markers and notes of an event; a count in the source becomes a label of the record."""
    item = line.item
    if item is None or item.event is None:
        return
    for one in item.event.markers:
        place = one.start
        if ":" not in place:
            first = item.media.count(item.first) if isinstance(item, Piece) else item.source[0]
            count = item.record + int(place) - first
            place = timecode.label(count, round(cut.media.rate), drop=cut.media.drop)
        yield f"* LOC: {place} {one.colour or 'GREEN':<7} {one.name}".rstrip()
    yield from item.event.notes


def _asc(piece: Piece, one: Chosen | LeftOut) -> Iterator[str]:
    if isinstance(one, LeftOut):
        yield f"* NO ASC CDL: {one.why}"
    else:
        yield f"* ASC_SOP ({' '.join(f'{gain:.17g}' for gain in one.gains)})(0 0 0)(1 1 1)"
        yield "* ASC_SAT 1"
        yield f"* CDL WORKING SPACE: {one.space}"
        yield from (f"* {note}" for note in one.notes)
    event = piece.event
    if event is not None and event.cdl is not None:
        cdl = event.cdl
        sop = "".join(f"({_triple(one)})" for one in (cdl.slope, cdl.offset, cdl.power))
        yield f"* CDL THAT CAME WITH THE EVENT, NOT APPLIED: {sop} {cdl.saturation:.17g}"


def _triple(values: Sequence[float]) -> str:
    return " ".join(f"{value:.17g}" for value in values)


def _prove(path: Path, lines: Sequence[Line], cut: Cut, found: _Found) -> str:
    """Read it back as a list that came in, and compare every line and every slope."""
    read = cmx.read(path.read_text(encoding="utf-8").splitlines(), cut.media.rate)
    events = sorted((*read.events, *read.others), key=lambda event: event.place)
    faults = [remark for remark in read.remarks if remark.severity == "fail"]
    if faults or len(events) != len(lines):
        first = f": {faults[0]}" if faults else ""
        raise WriteError(f"reads back with {len(events)} events{first}", file=path)
    gains = 0
    for line, event in zip(lines, events, strict=True):
        labels = (event.start, event.end, *(event.record or ()))
        reel = event.column or event.reel
        number = event.number == line.number
        if labels != line.points or not number or (line.reel not in ("BL", "AX", reel)):
            raise WriteError(f"reads back with event {event.number} in another place", file=path)
        enters = (event.enters.kind, event.enters.after) if event.enters else ("C", 0)
        if enters != (line.kind, line.length):
            what = f"reads back with another transition in event {event.number}"
            raise WriteError(what, file=path)
        if line.points[2] == line.points[3]:
            continue  # the outgoing line of a transition
        item = line.item
        speed = item.speed if isinstance(item, Piece) else 1
        played = 1 if event.m2 is None else event.m2 / cut.media.rate
        if abs(float(played - speed)) > _SPEED:
            raise WriteError(f"reads back with another speed in event {event.number}", file=path)
        one = found[item.name] if isinstance(item, Piece) else None
        wanted = one.gains if isinstance(one, Chosen) else None
        if (event.cdl.slope if event.cdl else None) != wanted:
            what = f"reads back with another gain in event {event.number}"
            raise WriteError(what, file=path)
        gains += wanted is not None
    return f"read back: {len(lines)} events label for label, {gains} of them with their slopes"

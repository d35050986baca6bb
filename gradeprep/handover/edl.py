"""CMX3600 EDL of the source plates, with the gain of each as ASC CDL comments.

It names the hot plates, by reel, clip and file, and not the normalized ones: its ASC lines bring
the hot ones back, and would do so twice to plates that are back already.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import partial
from pathlib import Path

from gradeprep.conform import cmx
from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.handover.cut import Cut, Piece, RateParams, cut_of
from gradeprep.model import timecode
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Edl", "EdlParams"]

_RATES = [Fraction(rate) for rate in (24, 25, 30, 48, 50, 60)]
_RATES += [rate * 1000 / 1001 for rate in _RATES if rate % 25]


class EdlParams(FrameParams, RateParams):
    """Parameters of an EDL."""


class Edl:
    """One file: the first picture track, source and record in labels, one label a frame."""

    name = "edl"
    summary = "CMX3600 EDL of the source plates, one file, gains as ASC CDL comments"
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
        track = cut.pieces[0].track
        cut = Cut(tuple(p for p in cut.pieces if p.track == track), _notes(cut, track, found))
        document = Document(
            name=f"{title}.edl",
            text="\n".join(_lines(cut, title, found)) + "\n",
            shots=tuple(dict.fromkeys(piece.name for piece in cut.pieces)),
            prove=partial(_prove, cut=cut, found=found),
            notes=cut.notes,
        )
        return [document, *(one for one in found.values() if isinstance(one, LeftOut))]


_Found = dict[str, Chosen | LeftOut]


def _notes(cut: Cut, track: str, found: _Found) -> tuple[str, ...]:
    notes = [
        f"{name}: {note}"
        for name, one in found.items()
        if isinstance(one, Chosen)
        for note in one.notes
    ]
    others = {piece.track for piece in cut.pieces} - {track}
    if others:
        notes.append(f"tracks {', '.join(sorted(others))} are left out: an EDL has one, {track}")
    return (*cut.notes, *notes)


def _lines(cut: Cut, title: str, found: _Found) -> Iterator[str]:
    yield f"TITLE: {title}"
    yield f"FCM: {'DROP FRAME' if cut.media.drop else 'NON-DROP FRAME'}"
    for number, piece in enumerate(cut.pieces, 1):
        yield ""
        points = " ".join(_points(piece, cut))
        yield f"{number:03d}  {_reel(piece):<8} V     C        {points}"
        yield f"* FROM CLIP NAME: {piece.clip}"
        yield f"* SOURCE FILE: {Path(piece.shot.record.source.pattern).name}"
        yield from _asc(piece, found[piece.name])
        if number == 1:  # some readers take no note before the first event
            yield f"* {cut.media.rate} FRAMES A SECOND, A LABEL EACH"
            yield "* ASC LINES BRING THE SOURCE PLATES BACK; NORMALIZED ONES HAVE THEM APPLIED"


def _points(piece: Piece, cut: Cut) -> tuple[str, str, str, str]:
    def at(place: int) -> str:
        return timecode.label(place, round(cut.media.rate), drop=cut.media.drop)

    first, behind = piece.first, piece.first + piece.length
    return piece.media.label(first), piece.media.label(behind), at(piece.record), at(piece.end)


def _reel(piece: Piece) -> str:
    """The reel, whole, in one word."""
    return re.sub(r"\s+", "_", piece.reel)


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


def _prove(path: Path, cut: Cut, found: _Found) -> str:
    """Read it back as a list that came in, and compare every label and every slope."""
    read = cmx.read(path.read_text(encoding="utf-8").splitlines(), cut.media.rate)
    if read.remarks or len(read.events) != len(cut.pieces):
        first = f": {read.remarks[0]}" if read.remarks else ""
        raise WriteError(f"reads back with {len(read.events)} events{first}", file=path)
    gains = 0
    for piece, event in zip(cut.pieces, read.events, strict=True):
        labels = (event.start, event.end, *(event.record or ()))
        if labels != _points(piece, cut) or event.reel != _reel(piece):
            raise WriteError(f"reads back with event {event.number} in another place", file=path)
        one = found[piece.name]
        wanted = one.gains if isinstance(one, Chosen) else None
        if (event.cdl.slope if event.cdl else None) != wanted:
            what = f"reads back with another gain in event {event.number}"
            raise WriteError(what, file=path)
        gains += wanted is not None
    return f"read back: {len(cut.pieces)} events label for label, {gains} of them with their slopes"

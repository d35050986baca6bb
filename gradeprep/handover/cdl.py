"""ASC CDL (release 1.2): the gain as a slope, in three containers.

Offset 0, power 1, saturation 1. The files carry no word on clamping, and the release clamps to
0..1 by default, so that each says in a description that it must not be clamped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from urllib.parse import quote

from gradeprep.handover.ascxml import NAMESPACE, Element, added, gain_nodes, text_of
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.handover.proof import prove_gain, proved
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Cc", "Ccc", "Cdl"]


class Cc:
    """One color correction a shot, a file each."""

    name = "cc"
    summary = "ASC CDL color correction, a file a shot"
    Params = FrameParams

    def make(
        self, shots: Sequence[Decided], params: FrameParams, title: str
    ) -> list[Document | LeftOut]:
        """A document of each shot that has one gain."""
        found = (choose(shot, params.frame) for shot in shots)
        return [one if isinstance(one, LeftOut) else self._document(one) for one in found]

    def _document(self, one: Chosen) -> Document:
        root = Element("ColorCorrection", {"xmlns": NAMESPACE, "id": one.name})
        _fill(root, one)
        return _document(f"{one.name}.cc", root, [one], one.notes)


class Ccc:
    """The color corrections of all shots in one file, by their names."""

    name = "ccc"
    summary = "ASC CDL color correction collection, one file"
    Params = FrameParams

    def make(
        self, shots: Sequence[Decided], params: FrameParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of the shots that have one gain."""
        return _together(shots, params, f"{title}.ccc", "ColorCorrectionCollection", _correction)


class Cdl:
    """The color decisions of all shots in one file, each with its plate."""

    name = "cdl"
    summary = "ASC CDL color decision list, one file that names the plates"
    Params = FrameParams

    def make(
        self, shots: Sequence[Decided], params: FrameParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of the shots that have one gain."""
        return _together(shots, params, f"{title}.cdl", "ColorDecisionList", _decision)


def _together(
    shots: Sequence[Decided],
    params: FrameParams,
    name: str,
    tag: str,
    add: Callable[[Element, Chosen], None],
) -> list[Document | LeftOut]:
    found = [choose(shot, params.frame) for shot in shots]
    chosen = [one for one in found if isinstance(one, Chosen)]
    left_out: list[Document | LeftOut] = [one for one in found if isinstance(one, LeftOut)]
    if not chosen:  # the schema knows no empty collection
        return left_out
    root = Element(tag, {"xmlns": NAMESPACE})
    for one in chosen:
        add(root, one)
    notes = [f"{one.shot.record.shot}: {note}" for one in chosen for note in one.notes]
    return [_document(name, root, chosen, notes), *left_out]


def _correction(root: Element, one: Chosen) -> None:
    _fill(added(root, "ColorCorrection", id=one.name), one)


def _decision(root: Element, one: Chosen) -> None:
    decision = added(root, "ColorDecision")
    plate = Path(one.shot.record.source.pattern).name
    added(decision, "MediaRef", ref=quote(plate))
    _correction(decision, one)


def _fill(correction: Element, one: Chosen) -> None:
    for line in one.lines:
        added(correction, "Description", line)
    added(correction, "InputDescription", one.space)
    gain_nodes(correction, one.gains)


def _document(name: str, root: Element, chosen: Sequence[Chosen], notes: Sequence[str]) -> Document:
    return Document(
        name=name,
        text=text_of(root),
        shots=tuple(one.shot.record.shot for one in chosen),
        prove=partial(_prove, chosen=chosen),
        notes=tuple(notes),
    )


def _prove(path: Path, chosen: Sequence[Chosen]) -> str:
    return proved(prove_gain(path, one.gains, correction=one.name) for one in chosen)

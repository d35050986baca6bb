"""AMF, the ACES metadata file (Academy S-2019-001, version 2.0): how a clip is brought into ACES.

Input transform, the gain as an ASC CDL in the working space, and then the place where people
work. What is in the picture already is marked as applied.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import Field

from gradeprep.colour import Colour
from gradeprep.errors import ColourError, WriteError
from gradeprep.handover.acespath import ACES, AcesPath, aces_path
from gradeprep.handover.amfcheck import AMF, Check, by_schema, by_structure, tree_of
from gradeprep.handover.ascxml import NAMESPACE, Element, added, gain_nodes, numbers, text_of
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.handover.config import config_of
from gradeprep.model.framerange import FrameRange
from gradeprep.plates.sequence import Pattern
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Amf", "AmfParams"]

_SHA256 = "http://www.w3.org/2001/04/xmlenc#sha256"
_ACES_2 = ("2", "0", "0")  # the release that AMF 2.0 came with


class AmfParams(FrameParams):
    """Parameters of an AMF."""

    xsd: Path | None = Field(None, description="Folder of the Academy's schema, to check against")
    clip: Literal["source", "normalized"] = Field(
        "source",
        description="Plate the file describes: hot, the gain to be applied; or with it applied",
    )


class Amf:
    """A file a shot, with a CLF beside it for each transform that has no published id."""

    name = "amf"
    summary = "ACES metadata file, a file a shot: input transform, CDL, working space"
    Params = AmfParams

    def make(
        self, shots: Sequence[Decided], params: AmfParams, title: str
    ) -> list[Document | LeftOut]:
        """The documents of each shot that has one gain."""
        check = by_structure if params.xsd is None else by_schema(params.xsd)
        found: list[Document | LeftOut] = []
        for shot in shots:
            one = choose(shot, params.frame)
            if isinstance(one, LeftOut):
                found.append(one)
                continue
            try:
                clip = _Clip(one, config_of(shot.record), applied=params.clip == "normalized")
                found += clip.documents(check)
            except ColourError as error:
                found.append(LeftOut(shot.record.shot, str(error)))
        return found


class _Clip:
    """One clip's AMF in the making.

    Raises:
        ColourError: A transform that it needs has no form.
    """

    def __init__(self, one: Chosen, colour: Colour, *, applied: bool) -> None:
        record = one.shot.record
        self.one = one
        self.record = record
        self.colour = colour
        self.applied = applied
        self.plate = record.result if applied else record.source
        space = record.colour.result if applied else record.colour.source
        is_aces = colour.space(ACES) == space
        self.input = None if is_aces else aces_path(colour, space, record.shot, to_aces=True)
        working = record.colour.working
        self.to_working = aces_path(colour, working, record.shot, to_aces=False)
        self.from_working = aces_path(colour, working, record.shot, to_aces=True)

    def documents(self, check: Check) -> list[Document | LeftOut]:
        """The AMF, after the CLFs that it names."""
        frames = FrameRange.parse(self.plate.frames)
        if frames.first < 0:
            why = f"frame {frames.first}: AMF counts the frames of a clip from 0"
            return [LeftOut(self.record.shot, why)]
        paths = (self.input, self.to_working, self.from_working)
        beside = {p.document.name: p.document for p in paths if p and p.document}
        notes = list(self.one.notes)
        if self.applied:
            notes.append("describes the normalized plate: the CDL is marked as applied")
        document = Document(
            name=f"{self.one.name}{'_normalized' if self.applied else ''}.amf",
            text=text_of(self._root()),
            shots=(self.record.shot,),
            prove=partial(_prove, gains=self.one.gains, check=check),
            notes=tuple(notes),
        )
        return [*beside.values(), document]

    def _root(self) -> Element:
        named = {"xmlns:aces": AMF, "xmlns:cdl": NAMESPACE, "version": "2.0"}
        root = Element("aces:acesMetadataFile", named)
        info = added(root, "aces:amfInfo")
        added(info, "aces:description", self.one.lines[0])
        self._dated(info, "file")
        self._clip_id(root)
        pipeline = added(root, "aces:pipeline")
        about = added(pipeline, "aces:pipelineInfo")
        self._dated(about, "pipeline")
        self._version(about)
        if self.input is not None:
            step = added(pipeline, "aces:inputTransform", applied="false")
            _path(step, self.input)
        self._look(pipeline)
        added(pipeline, "aces:workingLocation")
        return root

    def _dated(self, parent: Element, part: str) -> None:
        """Date and id follow from the sidecar, so that the same one gives the same file."""
        written = self.record.dated.get("written") or _modified(self.one.shot.sidecar)
        dates = added(parent, "aces:dateTime")
        added(dates, "aces:creationDateTime", written)
        added(dates, "aces:modificationDateTime", written)
        seed = f"{self.record.digest} {self.one.name} {self.applied} {part}"
        added(parent, "aces:uuid", uuid.uuid5(uuid.NAMESPACE_URL, seed).urn)

    def _version(self, parent: Element) -> None:
        """The ACES release that the config says it carries."""
        found = re.search(r"aces-v(\d)\.(\d)(?:\.(\d))?", self.colour.name)
        release = _ACES_2 if found is None else (found[1], found[2], found[3] or "0")
        version = added(parent, "aces:systemVersion")
        for word, number in zip(("major", "minor", "patch"), release, strict=True):
            added(version, f"aces:{word}Version", number)

    def _clip_id(self, root: Element) -> None:
        clip = added(root, "aces:clipId")
        added(clip, "aces:clipName", self.record.shot)
        pattern = Pattern.parse(self.plate.pattern)
        frames = FrameRange.parse(self.plate.frames)
        first, last = frames.first, frames.last
        if self.one.frame is not None:
            first = last = self.one.frame
        if pattern.token:
            ends = {"idx": "#", "min": str(first), "max": str(last)}
            added(clip, "aces:sequence", pattern.name, **ends)
        else:
            added(clip, "aces:file", pattern.name)

    def _look(self, pipeline: Element) -> None:
        look = added(pipeline, "aces:lookTransform", applied=str(self.applied).lower())
        added(look, "aces:description", "; ".join(self.one.lines))
        space = added(look, "aces:cdlWorkingSpace")
        _path(added(space, "aces:toCdlWorkingSpace"), self.to_working)
        _path(added(space, "aces:fromCdlWorkingSpace"), self.from_working)
        gain_nodes(look, self.one.gains, "cdl:")


def _path(parent: Element, path: AcesPath) -> None:
    added(parent, "aces:description", path.description)
    if path.document is None:
        added(parent, "aces:transformId", path.id)
    else:
        added(parent, "aces:hash", path.hash, algorithm=_SHA256)
        added(parent, "aces:file", path.document.name)


def _modified(path: Path) -> str:
    return datetime.fromtimestamp(path.stat().st_mtime, UTC).isoformat(timespec="seconds")


def _prove(path: Path, gains: Sequence[float], check: Check) -> str:
    found = check(path)
    look = tree_of(path).find(f".//{{{AMF}}}lookTransform")
    if look is None or numbers(look, "SOPNode/Slope") != tuple(gains):
        raise WriteError("does not read back with the slopes that were written", file=path)
    return found

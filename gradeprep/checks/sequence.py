"""Check: frames that are missing, torn, odd, frozen, black, or wrongly labelled."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.errors import MissingPlateError, PlateError
from gradeprep.model import timecode
from gradeprep.model.frame import Layout
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import PlateView

__all__ = ["Sequence", "SequenceParams"]

Severity = Literal["fail", "warn", "note"]

_SHOWN = 5


class SequenceParams(BaseModel):
    """Parameters of the sequence check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Severity = Field(
        "warn", description="Severity of a finding; a frame that cannot be read always fails"
    )
    black: float = Field(
        -12.0, description="A frame is black when all its light lies under this, stops from grey"
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """One frame, looked at.

    Attributes:
        digest: Hash of its samples as recorded; empty for a frame that cannot be read.
        black: Whether it holds no light to speak of.
        error: Why it cannot be read.
        remedy: What to do about that.
    """

    digest: bytes = b""
    black: bool = False
    error: str = ""
    remedy: str = ""


class Sequence:
    """Looks at every frame: numbers, headers, labels, and whether pictures follow each other."""

    name = "sequence"
    summary = "gaps, torn, odd, frozen and black frames, breaks of timecode"
    Params = SequenceParams

    def look(self, plate: PlateView, params: SequenceParams) -> Iterator[Finding]:
        """One finding a fault: a run of frames, or a torn frame."""
        frames = plate.frames
        layouts = {frame: plate.layout(frame) for frame in frames}
        yield from _gaps(frames, params.on)
        yield from _odd(layouts, params.on)
        yield from _windows(layouts)
        yield from _timecodes(layouts, params.on)
        least = GREY * gain(params.black)
        seen = plate.each(frames, partial(_look, plate, least))
        yield from _pictures(dict(zip(frames, seen, strict=True)), params)


def _look(plate: PlateView, least: float, frame: int) -> _Seen:
    try:
        recorded, pixels = plate.recorded(frame), plate.pixels(frame)
    except (PlateError, MissingPlateError) as error:
        return _Seen(error=error.what, remedy=error.remedy)
    digest = hashlib.blake2b(np.ascontiguousarray(recorded).data, digest_size=16)
    digest.update(repr(recorded.shape).encode())
    return _Seen(digest.digest(), bool(pixels.size and pixels.max() < least))


def _gaps(frames: FrameRange, on: Severity) -> Iterator[Finding]:
    """Numbers left out of an otherwise even count."""
    steps = Counter(late - early for early, late in pairwise(frames))
    if len(steps) < 2:
        return
    step, often = steps.most_common(1)[0]
    if often * 2 <= steps.total():
        yield Finding(
            severity="note",
            what=f"frames {frames} follow no even step; gaps are unknown",
            numbers={"frames": str(frames)},
        )
        return
    missing = [n for a, b in pairwise(frames) if b - a > step for n in range(a + step, b, step)]
    between = [b for a, b in pairwise(frames) if b - a < step]
    if missing:
        yield _runs(on, "missing", missing, "bring them, or say which frames are meant with frames")
    if between:
        yield _runs(on, f"out of the step of {step}", between, "look whether they belong here")


def _odd(layouts: Mapping[int, Layout], on: Severity) -> Iterator[Finding]:
    """Frames whose size, type or channels differ from what most frames have."""
    kinds: list[tuple[Layout, list[int]]] = []
    for frame, layout in layouts.items():
        for kind, alike in kinds:
            if kind.same_shape(layout) is None:
                alike.append(frame)
                break
        else:
            kinds.append((layout, [frame]))
    if not kinds:
        return
    usual, _ = max(kinds, key=lambda kind: len(kind[1]))
    for kind, alike in kinds:
        difference = usual.same_shape(kind)
        if difference:
            yield _runs(on, f"unlike the others ({difference})", alike, "give it a shot of its own")


def _windows(layouts: Mapping[int, Layout]) -> Iterator[Finding]:
    """Data windows may move; it is good to know that they do."""
    moved = [
        late
        for early, late in pairwise(layouts)
        if layouts[early].same_shape(layouts[late]) is None
        and _data_windows(layouts[early]) != _data_windows(layouts[late])
    ]
    if moved:
        yield _runs("note", "the data window moves", moved, "")


def _data_windows(layout: Layout) -> list[tuple[int, int, int, int]]:
    return [part.data_window for part in layout.parts]


def _timecodes(layouts: Mapping[int, Layout], on: Severity) -> Iterator[Finding]:
    labels = {n: layout.timecode for n, layout in layouts.items() if layout.timecode is not None}
    if not labels:
        return
    bare = [frame for frame in layouts if frame not in labels]
    if bare:
        yield _runs(on, "no timecode, though others have one", bare, "")
    if len(labels) < 2:
        return
    if len(set(labels.values())) == 1:
        yield Finding(
            severity=on,
            what=f"the timecode stands still at {next(iter(labels.values()))}",
            numbers={"frames": str(FrameRange.of(labels))},
            remedy="conform by frame number",
        )
        return
    rates = {layout.rate for layout in layouts.values()}
    found = rates.pop() if len(rates) == 1 else None
    rate = timecode.rate(found) if found else None
    if rate is None:
        yield Finding(
            severity="note",
            what="timecode cannot be checked: the frames state no rate, or not one",
            numbers={"rates": sorted({str(layout.rate) for layout in layouts.values()})},
        )
        return
    yield from _breaks(labels, timecode.breaks(labels, rate), on)


def _breaks(labels: Mapping[int, str], found: Mapping[int, str], on: Severity) -> Iterator[Finding]:
    if not found:
        return
    shown = [f"frame {n} has {labels[n]}, not {found[n]}" for n in list(found)[:_SHOWN]]
    more = f", and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    yield Finding(
        severity=on,
        what=f"timecode breaks: {', '.join(shown)}{more}",
        frame=next(iter(found)),
        numbers={"frames": str(FrameRange.of(found)), "breaks": len(found)},
        remedy="look whether frames were dropped or renumbered",
    )


def _pictures(seen: Mapping[int, _Seen], params: SequenceParams) -> Iterator[Finding]:
    for frame, one in seen.items():
        if one.error:
            what = f"cannot be read: {one.error}"
            yield Finding(severity="fail", what=what, frame=frame, remedy=one.remedy)
    black = [frame for frame, one in seen.items() if one.black]
    if black:
        yield _runs(params.on, "black", black, "look whether the plate was copied whole")
    for run in _frozen(seen):
        yield _runs(params.on, "the same picture", run, "look whether the camera held a frame")


def _frozen(seen: Mapping[int, _Seen]) -> Iterator[list[int]]:
    """Runs of neighbours with the same samples; black ones are reported as black."""
    run: list[int] = []
    for frame, one in seen.items():
        if run and one.digest == seen[run[-1]].digest:
            run.append(frame)
            continue
        if len(run) > 1:
            yield run
        run = [frame] if one.digest and not one.black else []
    if len(run) > 1:
        yield run


def _runs(on: Severity, what: str, frames: Iterable[int], remedy: str) -> Finding:
    """A finding about some frames."""
    found = FrameRange.of(frames)
    return Finding(
        severity=on,
        what=f"{what}: {'frames' if len(found) > 1 else 'frame'} {found}",
        frame=found.first,
        numbers={"frames": str(found), "count": len(found)},
        remedy=remedy,
    )

"""What is seen when a shot's plates are opened again: pixels, tones, noise, ceilings.

A plate that is gone, or bad, is no reason to report nothing: what could not be looked at is kept
in words, and the rest is reported.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from gradeprep.checks.clipping import ClippingParams, ceilings
from gradeprep.checks.noisetable import measure_noise
from gradeprep.checks.tones import NoiseBin, NoiseCurve
from gradeprep.clips.ceilings import Ceiling, clip_mask
from gradeprep.errors import GradeprepError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import FileMark, Finding, PlateRecord
from gradeprep.model.shot import ShotDocument
from gradeprep.model.stops import GREY, gain
from gradeprep.pipeline.plateview import decided_view
from gradeprep.pipeline.view import View
from gradeprep.plates import atomic
from gradeprep.plates.sequence import Pattern
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.reportdata import ReportShot
from gradeprep.review.tones import Tones, landing, tones_of

__all__ = ["PlateSummary", "see"]

T = TypeVar("T")

_FRAMES = 5
"""Frames of a plate that are opened: enough to see its ceiling, few enough for forty shots."""


@dataclass(slots=True, kw_only=True)
class PlateSummary:
    """What was seen of one shot.

    Attributes:
        frame: The frame that is shown; None where no plate is there.
        before: The source's light, float32 H x W x 3 in the working space.
        after: The result's light; simulated where there is no result to read.
        simulated: Whether ``after`` was computed here instead of read from the result.
        mask: Clipped samples of the source, bool H x W x 3.
        ceilings: Where each channel ends.
        ceilings_after: Where those ends stand after, in stops from grey.
        tones: Tones before and after.
        noise: Noise before and after.
        lacking: What could not be looked at, a line each.
        views: The plates, for their colour.
    """

    frame: int | None = None
    before: Pixels | None = None
    after: Pixels | None = None
    simulated: bool = False
    mask: npt.NDArray[np.bool_] | None = None
    ceilings: tuple[Ceiling | None, ...] = ()
    ceilings_after: tuple[float, ...] = ()
    tones: tuple[Tones | None, Tones | None] = (None, None)
    noise: tuple[NoiseCurve | None, NoiseCurve | None] = (None, None)
    lacking: list[str] = field(default_factory=list)
    views: tuple[View | None, View | None] = (None, None)

    def try_to(self, do: Callable[[], T], what: str) -> T | None:
        """What it gives, or None with a line that says what could not be shown and why."""
        try:
            return do()
        except GradeprepError as error:
            self.lacking.append(f"{what}: {error}")
        except ValueError as error:
            self.lacking.append(f"{what}: {' '.join(str(error).split())}")
        return None


def see(one: ReportShot) -> PlateSummary:
    """Open a shot's plates and look; never raises for a plate that is missing or bad."""
    seen = PlateSummary()
    if one.document is None:
        return seen
    document = one.document
    sources, results = _there(document.source, document), _there(document.result, document)
    if one.state != "done":
        results = FrameRange.of(())
    seen.frame = _frame(document, sources, results)
    if seen.frame is None:
        seen.lacking.append(
            f"pictures, tones, noise: no frame of {document.source.pattern} is there"
        )
        return seen
    source = _opened(seen, one.name, document, sources, "source")
    result = _opened(seen, one.name, document, results, "result") if one.state == "done" else None
    seen.views = (source, result)
    _see_before(seen, document, source)
    _see_after(seen, source, result)
    _see_noise(seen, document, source)
    _same_files(seen, one)
    return seen


def _there(plate: PlateRecord, document: ShotDocument) -> FrameRange:
    pattern = Pattern.parse(plate.pattern)
    return FrameRange.of(n for n in document.numbers if pattern.path(n).is_file())


def _frame(document: ShotDocument, sources: FrameRange, results: FrameRange) -> int | None:
    """The frame with most clipped, where a check says one, else the one in the middle."""
    both = (sources & results) or sources or results
    if not both:
        return None
    shares: dict[int, float] = {}
    for finding in document.findings:
        for number, share in dict(finding.numbers.get("shares", {})).items():
            shares[int(number)] = shares.get(int(number), 0.0) + float(share)
    worst = [n for n in sorted(shares, key=lambda n: (-shares[n], n)) if n in both]
    every = tuple(both)
    return worst[0] if worst else every[len(every) // 2]


def _opened(
    seen: PlateSummary, name: str, document: ShotDocument, frames: FrameRange, which: str
) -> View | None:
    assert seen.frame is not None
    what = "before, clip map" if which == "source" else "the result as written"
    plate = document.source if which == "source" else document.result
    if seen.frame not in frames:
        seen.lacking.append(f"{what}: {plate.pattern} has no frame {seen.frame}")
        return None
    space = document.colour.source if which == "source" else document.colour.result
    same = which == "source" or document.source.format == document.result.format
    open_it = partial(
        decided_view,
        name,
        Path(plate.pattern),
        _few(frames, seen.frame),
        document.colour,
        space=space,
        layers=document.layers if same else None,
        stages={e.number: e.stages for e in document.frames} if which == "source" else None,
    )
    view = seen.try_to(open_it, what)
    if view is not None and view.colour.sha256 != document.colour.sha256:
        line = f"the config {document.colour.config} is not the one that this was made with"
        if line not in seen.lacking:
            seen.lacking.append(line)
    return view


def _few(frames: FrameRange, wanted: int) -> FrameRange:
    """The wanted frame, its neighbour, and a few over the plate."""
    every = tuple(frames)
    place = every.index(wanted)
    near = every[place : place + 2] if place + 1 < len(every) else every[max(0, place - 1) :]
    picks = np.linspace(0, len(every) - 1, _FRAMES - 2).round().astype(int)
    return FrameRange.of({*near, *(every[pick] for pick in picks)})


def _see_before(seen: PlateSummary, document: ShotDocument, view: View | None) -> None:
    if view is None or seen.frame is None:
        return
    frame = seen.frame
    seen.before = seen.try_to(lambda: view.pixels(frame), "before, tones")
    if seen.before is None:
        return
    odd = view.nonfinite(frame)
    if odd:
        seen.lacking.append(f"frame {frame}: {odd} samples are no numbers and are shown as black")
    found = seen.try_to(lambda: ceilings(view, _clipping(document.findings)), "the clip map")
    if found is None:
        return
    seen.ceilings = found
    seen.mask = clip_mask(view.recorded(frame), found)
    ends = [one.stops for one in found if one is not None]
    after = seen.try_to(lambda: landing(view, frame, ends), "the ceiling after")
    seen.ceilings_after = after or ()


def _clipping(findings: Sequence[Finding]) -> ClippingParams:
    """The ceiling given to the recipe's check, if any."""
    for finding in findings:
        if finding.numbers.get("ceiling") == "stated":
            return ClippingParams(code=finding.numbers["ceiling_recorded"], frames=_FRAMES)
    return ClippingParams(frames=_FRAMES)


def _see_after(seen: PlateSummary, source: View | None, result: View | None) -> None:
    if seen.frame is None:
        return
    frame = seen.frame
    if result is not None:
        seen.after = seen.try_to(lambda: result.pixels(frame), "the result as written")
    if seen.after is None and source is not None:
        seen.after = seen.try_to(lambda: source.normalized(frame), "after")
        seen.simulated = seen.after is not None
    either = source or result
    if either is None:
        return
    weights = seen.try_to(lambda: either.weights, "tones")
    if weights is not None:
        seen.tones = (
            None if seen.before is None else tones_of(seen.before, weights),
            None if seen.after is None else tones_of(seen.after, weights),
        )


def _see_noise(seen: PlateSummary, document: ShotDocument, view: View | None) -> None:
    """The noise that the recipe's check measured, or else that of the frame shown."""
    recorded = _recorded_noise(document.findings)
    if recorded is not None:
        seen.noise = recorded
        return
    if view is None or seen.before is None or seen.frame is None:
        return
    frames = (seen.frame,)
    before = seen.try_to(lambda: measure_noise(view, frames), "noise")
    if before is None or not before.luminance.bins:
        return
    after = seen.try_to(lambda: measure_noise(view, frames, normalized=True), "noise after")
    seen.noise = (before.luminance, None if after is None else after.luminance)


def _recorded_noise(findings: Sequence[Finding]) -> tuple[NoiseCurve, NoiseCurve] | None:
    for finding in findings:
        numbers = finding.numbers
        if "clean_10" in numbers and isinstance(numbers.get("before"), Mapping):
            if "after" not in numbers:
                continue
            return _curve(numbers["before"]), _curve(numbers["after"])
    return None


def _curve(numbers: Mapping[str, Any]) -> NoiseCurve:
    found = numbers["luminance"]
    columns = (
        found["tone"],
        found["sigma"],
        found["uncertainty_db"],
        found["samples"],
        found["method"],
    )
    return NoiseCurve(
        "luminance",
        tuple(
            NoiseBin(
                level=GREY * gain(float(at)),
                sigma=float(sigma),
                uncertainty=float(doubt),
                samples=int(samples),
                method=str(method),
            )
            for at, sigma, doubt, samples, method in zip(*columns, strict=True)
        ),
    )


def _same_files(seen: PlateSummary, one: ReportShot) -> None:
    """Whether the files shown are those that were recorded."""
    assert one.document is not None
    entry = next((entry for entry in one.document.frames if entry.number == seen.frame), None)
    if entry is None or entry.done is None:
        return
    for mark, file, word, view in (
        (entry.done.source, entry.source, "source", seen.views[0]),
        (entry.done.result, entry.result, "result", seen.views[1]),
    ):
        if view is not None and _changed(mark, Path(file)):
            seen.lacking.append(
                f"frame {seen.frame} of the {word} is not the file that was recorded any more; "
                "it is shown as it is now"
            )


def _changed(mark: FileMark, path: Path) -> bool:
    return path.is_file() and (
        path.stat().st_size != mark.bytes or atomic.digest(path) != mark.hash
    )

"""The overview's numbers of a shot, and which shots want looking at first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from gradeprep.checks.tones import Clean
from gradeprep.model.record import Finding
from gradeprep.photometry import ACCEPTABLE
from gradeprep.review.platesummary import PlateSummary
from gradeprep.review.reportdata import ReportShot

__all__ = ["ClipState", "OverviewLine", "ToneSpan", "ranked", "worst_first"]

_MUCH = 0.25
"""An uncertainty of so many stops, one sigma, is worth a look: a quarter of a stop is seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipState:
    """Whether a plate clips.

    Attributes:
        state: ``clipped``, ``speculars`` (small areas only), ``clear``, or ``unknown``.
        words: The same for a reader.
        share: Largest share of a channel of a frame, 0..1.
        headroom: Stops that were left, where nothing clips and a ceiling is known.
    """

    state: str
    words: str
    share: float = 0.0
    headroom: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneSpan:
    """The tones between clean shadow and ceiling, in stops from grey; None where not known."""

    low: float | None
    high: float | None
    low_open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewLine:
    """A shot's line in the overview.

    Attributes:
        clip: Whether it clips.
        sigma: Largest uncertainty of its readings, in stops; None where nothing was read.
        weak: Whether a reading says little by itself.
        before: Tones from clean shadow to ceiling as recorded.
        after: The same normalized.
        gained: Stops of clean shadow below grey that are there now and were not before.
        clean: The darkest clean tone after.
        counts: Number of findings by severity.
        why: What puts the shot where it stands, in a few words; empty where all is well.
        order: Worst sorts first.
    """

    clip: ClipState
    sigma: float | None
    weak: bool
    before: ToneSpan
    after: ToneSpan
    gained: float | None
    clean: Clean | None
    counts: dict[str, int]
    why: tuple[str, ...]
    order: tuple[float, ...]


def ranked(one: ReportShot, seen: PlateSummary) -> OverviewLine:
    """The overview's line of a shot."""
    document = one.document
    findings = document.findings if document is not None else ()
    readings = document.readings if document is not None else ()
    counts = {word: sum(f.severity == word for f in findings) for word in ("fail", "warn", "note")}
    clip = _clip(findings, seen)
    sigma = max((reading.sigma for reading in readings), default=None)
    weak = any(reading.weak for reading in readings)
    was, now = seen.noise
    clean_before = None if was is None else was.clean(ACCEPTABLE)
    clean = None if now is None else now.clean(ACCEPTABLE)
    before = _span(clean_before, [c.stops for c in seen.ceilings if c is not None])
    after = _span(clean, seen.ceilings_after)
    gained = None
    if before.low is not None and after.low is not None:
        gained = before.low - after.low
    why = tuple(_why(one, counts, clip, sigma, weak=weak))
    order = (
        -float(one.state == "refused"),
        -float(counts["fail"]),
        -float(clip.state == "clipped"),
        -clip.share,
        -float(weak or (sigma or 0.0) > _MUCH),
        -float(counts["warn"]),
        -float(bool(seen.lacking)),
        -(sigma or 0.0),
    )
    return OverviewLine(
        clip=clip,
        sigma=sigma,
        weak=weak,
        before=before,
        after=after,
        gained=gained,
        clean=clean,
        counts=counts,
        why=why,
        order=order,
    )


def worst_first(lines: Sequence[OverviewLine]) -> list[int]:
    """Places of the lines, worst first; equals keep their order."""
    return sorted(range(len(lines)), key=lambda place: lines[place].order)


def _why(
    one: ReportShot, counts: dict[str, int], clip: ClipState, sigma: float | None, *, weak: bool
) -> Iterator[str]:
    if one.state == "refused":
        yield "refused"
    if counts["fail"]:
        yield f"{counts['fail']} failed"
    if clip.state == "clipped":
        yield "clipped"
    if weak:
        yield "weak reading"
    elif sigma is not None and sigma > _MUCH:
        yield "uncertain reading"
    if one.state == "planned":
        yield "not run"


def _clip(findings: Sequence[Finding], seen: PlateSummary) -> ClipState:
    """What the clipping check said, else what the frame shown says."""
    found = [f for f in findings if "share" in f.numbers and "ceiling" in f.numbers]
    if found:
        return _clipped(found)
    rooms = [f.numbers for f in findings if "headroom" in f.numbers]
    if rooms:
        room = min(float(numbers["headroom"]) for numbers in rooms)
        return ClipState(state="clear", words=f"{room:.2f} stops left", headroom=room)
    if seen.mask is None:
        return ClipState(state="unknown", words="not looked at")
    share = float(seen.mask.reshape(-1, 3).mean(axis=0).max())
    if share:
        return ClipState(state="clipped", words=f"{share:.2%}, frame {seen.frame}", share=share)
    return ClipState(state="clear", words=f"clear, frame {seen.frame}")


def _clipped(found: Sequence[Finding]) -> ClipState:
    numbers: Any = max((f.numbers for f in found), key=lambda one: float(one["share"]))
    share = float(numbers["share"])
    names = "".join(f.channel or "" for f in found)
    if any(f.severity != "note" for f in found):
        return ClipState(state="clipped", words=f"{share:.2%} of {names}", share=share)
    return ClipState(state="speculars", words=f"speculars of {names}", share=share)


def _span(clean: Clean | None, ceilings: Sequence[float]) -> ToneSpan:
    low = None if clean is None else clean.tone
    is_open = clean is not None and clean.open
    return ToneSpan(low=low, high=min(ceilings, default=None), low_open=is_open)

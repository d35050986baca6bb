"""Check: what rounding to the result's type would lose.

The result is what a reader would decode of it, so the same arithmetic serves half,
float and code values on any curve. Rounding to steps of a width spreads the error evenly over
one step, so that the step is ``sqrt(12)`` times its root mean square (EMVA Standard 1288 for the
converter of a camera). A step that is wider than the noise is no longer hidden by it: it shows
as bands in what was smooth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import add
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.checks.noisetable import NoiseTable, measure_noise
from gradeprep.checks.tones import PER_STOP, bin_of
from gradeprep.model.record import Finding
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["Precision", "PrecisionParams", "Rounding", "compare_written"]

_NORMAL = 2.0**-14
"""Half floats below this have fewer digits the darker they are (IEEE 754, binary16)."""

_CLAMPED = 0.05
"""Stops that no plain rounding loses above grey: 8 bits over 17 stops come to 0.03."""

_DARKEST = GREY * gain(-24.0)
"""Light below this is no tone any more: 13 stops below the smallest normal half."""

_LEAST = 256
"""Samples that make a bin."""

_ROWS = 256
"""Rows looked at together, so that memory stays small."""


class PrecisionParams(BaseModel):
    """Parameters of the precision check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field("warn", description="Severity of a finding")
    frames: int = Field(3, ge=1, le=64, description="Frames to look at, over the shot")
    max_loss: float = Field(
        0.01, gt=0.0, description="Rounding error of one sample that does not matter, in stops"
    )
    max_share: float = Field(
        0.001, ge=0.0, le=1.0, description="Share of lit samples that may lose more, 0..1"
    )
    min_step: float = Field(
        0.01, gt=0.0, description="Step too small to be seen as a band, in stops"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounding:
    """What one frame lost on the way into the result's type. Counts are of samples.

    Attributes:
        samples: All of them.
        lit: Those with light above zero.
        lossy: Lit ones that lost more than was allowed, clamped ones left out.
        subnormal: Those below the normal range of half that were rounded.
        sunk: Lit ones of which nothing is left: zero, or below.
        loss: Largest rounding error of a lit sample that was neither clamped nor sunk, in stops.
        overflow: Finite ones that became infinite.
        clamped: Ones above grey that the result's largest value cut off.
        raised: Negative ones that the result's smallest value cut off.
        error: Third-stop bin to the sum of squared errors, scene-linear, and samples.
    """

    samples: int
    lit: int
    lossy: int
    subnormal: int
    sunk: int
    loss: float
    overflow: int
    clamped: int
    raised: int
    error: Mapping[int, tuple[float, int]]

    def __add__(self, other: Rounding) -> Rounding:
        """What both lost."""
        error = dict(self.error)
        for number, (squares, samples) in other.error.items():
            had = error.get(number, (0.0, 0))
            error[number] = (had[0] + squares, had[1] + samples)
        return Rounding(
            **{name: getattr(self, name) + getattr(other, name) for name in _COUNTS},
            loss=max(self.loss, other.loss),
            error=error,
        )

    def steps(self) -> dict[float, float]:
        """Tone in stops from grey to the result's step there, scene-linear; darkest first."""
        return {
            number / PER_STOP: math.sqrt(12.0 * squares / samples)
            for number, (squares, samples) in sorted(self.error.items())
            if samples >= _LEAST
        }


_COUNTS = ("samples", "lit", "lossy", "subnormal", "sunk", "overflow", "clamped", "raised")


def compare_written(normalized: Pixels, written: Pixels, *, max_loss: float) -> Rounding:
    """What a frame loses by rounding; looked at some rows at a time.

    Args:
        normalized: Scene-linear pixels before rounding, H x W x 3, all finite.
        written: What a reader of the result decodes.
        max_loss: Rounding error of a sample that does not matter, in stops.
    """
    rows = range(0, max(1, normalized.shape[0]), _ROWS)
    strips = (slice(start, start + _ROWS) for start in rows)
    found = [_strip(normalized[one].ravel(), written[one].ravel(), max_loss) for one in strips]
    return reduce(add, found)


def _strip(
    before: npt.NDArray[np.float32], after: npt.NDArray[np.float32], max_loss: float
) -> Rounding:
    finite = np.isfinite(after)
    lit = finite & (before > _DARKEST)
    here, there = before[lit].astype(np.float64), after[lit].astype(np.float64)
    sunk = there <= 0.0
    stops = np.log2(np.where(sunk, here, there) / here)
    clamped = (here > GREY) & (stops < -_CLAMPED)
    plain = ~(sunk | clamped)
    change = there - here
    rounded = np.abs(change[~clamped & (here <= GREY)]).max(initial=0.0)
    dark = finite & (before < 0.0)
    return Rounding(
        samples=before.size,
        lit=here.size,
        lossy=int(np.count_nonzero(plain & (np.abs(stops) > max_loss))),
        subnormal=int(np.count_nonzero(finite & (np.abs(before) < _NORMAL) & (after != before))),
        sunk=int(np.count_nonzero(sunk)),
        loss=float(np.abs(stops[plain]).max(initial=0.0)),
        overflow=int(finite.size - np.count_nonzero(finite)),
        clamped=int(np.count_nonzero(clamped)),
        # a negative sample that moves more than rounding moves anything up to grey was cut off
        raised=int(np.count_nonzero(after[dark] - before[dark] > max(rounded, _DARKEST))),
        error=_errors(here[~clamped], change[~clamped]),
    )


def _errors(
    level: npt.NDArray[np.float64], change: npt.NDArray[np.float64]
) -> dict[int, tuple[float, int]]:
    """Third-stop bin to the sum of squared changes, and samples."""
    if not level.size:
        return {}
    numbers = bin_of(level)
    least = int(numbers.min())
    samples = np.bincount(numbers - least)
    squares = np.bincount(numbers - least, weights=np.square(change))
    return {
        least + place: (float(squares[place]), int(samples[place]))
        for place in np.flatnonzero(samples).tolist()
    }


class Precision:
    """Compares what would be written with the normalized picture before rounding."""

    name = "precision"
    summary = "what rounding to the result's type would lose"
    Params = PrecisionParams

    def look(self, plate: PlateView, params: PrecisionParams) -> Iterator[Finding]:
        """One finding a kind of loss, over all frames looked at."""
        frames = plate.sample(params.frames)

        def look(frame: int) -> Rounding:
            return compare_written(
                plate.normalized(frame), plate.written(frame), max_loss=params.max_loss
            )

        lost = reduce(add, plate.each(frames, look))
        data = {"frames": list(frames), "samples": lost.samples}
        for what, remedy, numbers in (*_cut_off(lost), *_rounded(lost, params)):
            yield Finding(severity=params.on, what=what, remedy=remedy, numbers=numbers | data)
        steps = {t: s for t, s in lost.steps().items() if _stops(t, s) > params.min_step}
        if steps:
            noise = measure_noise(plate, plate.sample(1), normalized=True)
            yield from _bands(steps, noise, params)


_Loss = tuple[str, str, dict[str, Any]]
"""A sentence, what to do, and numbers."""


def _cut_off(lost: Rounding) -> Iterator[_Loss]:
    for count, name, what, remedy in (
        (lost.overflow, "overflow", "become infinite in the result", "write float"),
        (
            lost.clamped,
            "clamped",
            "above grey are cut off at the largest value that the result holds",
            "write half or float, or a space that holds more",
        ),
        (
            lost.raised,
            "raised",
            "below zero are cut off at the smallest value that the result holds",
            "write half or float, or a space that holds negative light",
        ),
    ):
        if count:
            yield f"{count} samples {what}", remedy, {name: count}


def _rounded(lost: Rounding, params: PrecisionParams) -> Iterator[_Loss]:
    share = (lost.lossy + lost.sunk) / max(1, lost.lit)
    if share > params.max_share:
        numbers = {
            "share": share,
            "sunk": lost.sunk,
            "subnormal": lost.subnormal,
            "largest_loss_stops": lost.loss,
        }
        what = (
            f"{share:.2%} of the lit samples lose more than {params.max_loss:g} stops by "
            f"rounding, up to {lost.loss:.2f}; {lost.sunk} of them lose all"
        )
        yield what, "write float, or half where these are codes; or lift the shadows", numbers


def _bands(
    steps: Mapping[float, float], noise: NoiseTable, params: PrecisionParams
) -> Iterator[Finding]:
    """A finding where the result's steps are wider than the noise that would hide them."""
    rows = []
    for tone, step in steps.items():
        sigmas = [s for curve in noise.channels if (s := curve.sigma_at(tone)) is not None]
        if sigmas and step > min(sigmas):
            noise_stops = _stops(tone, min(sigmas))
            rows.append({"tone": tone, "step": _stops(tone, step), "noise": noise_stops})
    if rows:
        low, high = rows[0]["tone"], rows[-1]["tone"]
        worst = max(row["step"] for row in rows)
        yield Finding(
            severity=params.on,
            what=f"between {low:+.1f} and {high:+.1f} stops the result's steps, up to "
            f"{worst:.3f} stops, are wider than the noise: smooth areas may show bands",
            numbers={"bands": rows},
            remedy="write half or float, or more bits; lift less",
        )


def _stops(tone: float, width: float) -> float:
    """A scene-linear width at a tone, in stops."""
    return math.log2(1.0 + width / (GREY * gain(tone)))

"""The lift: opens the shadows by a number of stops before the pull.

The gain in stops is a function of tone ``t``, the stops from grey of the pixel's luminance in
the *normalized* picture::

    g(t) = stops * S((below - t) / softness)        S(x) = x**3 * (6*x**2 - 15*x + 10), x in 0..1

``S`` is the quintic smootherstep (Perlin 2002, "Improving Noise"): full gain from
``below - softness`` down, none above ``below``, and no corner in slope or curvature between. All
three channels get the same gain, so hue and chromaticity stay. Luminance at or under zero gets
the full gain, so that noise around black keeps its symmetry.

Its steepest point is in the middle, where ``S'`` is 1.875: the smallest slope of tone out against
tone in is ``1 - 1.875 * stops / softness``. It must stay at least 1/16, or the curve would flatten
the very shadows that it opens and could not be taken back.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from gradeprep.model.exposure import Stops
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Light, Numbers, Pixels

__all__ = ["MIN_SLOPE", "Lift", "LiftParams", "smootherstep"]

MIN_SLOPE = 1.0 / 16.0
STEEPEST = 1.875
LN2 = math.log(2.0)

Tones = npt.NDArray[np.floating]


class LiftParams(BaseModel):
    """Parameters of the lift, on the scale of the normalized picture."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    stops: Stops = Field(description="Gain in the shadows, in stops; negative deepens them")
    below: Stops = Field(-3.0, description="Tone under which the lift begins, stops from grey")
    softness: Stops = Field(3.0, description="Width of the transition, in stops")

    @model_validator(mode="after")
    def _not_too_steep(self) -> LiftParams:
        if self.softness <= 0.0:
            raise ValueError(f"softness is {self.softness:g}; it must be above 0 stops")
        needed = STEEPEST * self.stops / (1.0 - MIN_SLOPE)
        if self.softness < needed:
            found = math.ceil(needed * 1000.0) / 1000.0  # what it says must be enough
            raise ValueError(
                f"a lift of {self.stops:g} stops over a softness of {self.softness:g} is too "
                f"steep: it would flatten the shadows; softness must be at least {found:g}"
            )
        return self


def smootherstep(x: Tones) -> Tones:
    """Quintic smootherstep, clamped to 0..1; the same shape and dtype as ``x``."""
    x = np.clip(x, 0.0, 1.0)
    value = x * x.dtype.type(6.0)
    value -= 15.0
    value *= x
    value += 10.0
    for _ in range(3):
        value *= x
    return value


class Lift:
    """Multiplies each pixel by ``2 ** g(t)``, the same for its three channels."""

    name = "lift"
    summary = "opens the shadows, before the pull"
    before = ("pull",)
    """Stages that a recipe should name after this one."""

    Params = LiftParams

    def decide(self, params: LiftParams, frame: int) -> Numbers:
        """The curve's three numbers; the same for every frame."""
        return {"stops": params.stops, "below": params.below, "softness": params.softness}

    def exposure(self, numbers: Numbers) -> float:
        """None of the whole picture."""
        return 0.0

    def gains(self, numbers: Numbers) -> tuple[float, float, float] | None:
        """Not a plain gain, unless it lifts by nothing."""
        return (1.0, 1.0, 1.0) if _curve(numbers)[0] == 0.0 else None

    def slope(self, numbers: Numbers) -> float:
        """Smallest slope of the tone curve."""
        stops, _, softness = _curve(numbers)
        return min(1.0, 1.0 - STEEPEST * stops / softness)

    def apply(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Scene-linear pixels, H x W x 3 float32, times the gain of their tone."""
        gain = self.tone_gain(light.luminance(rgb), numbers, light)
        return np.multiply(rgb, gain[..., None], out=rgb)

    def tone_gain(
        self, luminance: npt.NDArray[np.float32], numbers: Numbers, light: Light
    ) -> npt.NDArray[np.float32]:
        """The gain of each luminance, the same for all three channels; float32 of its shape."""
        stops, below, softness = _curve(numbers)
        edge = below + math.log2(GREY) - light.stops_to_come  # log2 of the luminance at `below`
        gain = np.ones_like(luminance)
        dim = luminance < np.float32(2.0**edge)  # above, the gain is 1: most of a picture, often
        depth = np.clip(luminance[dim], 0.0, np.inf)  # numpy's maximum takes three times as long
        with np.errstate(divide="ignore"):
            np.log(depth, out=depth)  # numpy has vector code for log and exp, not for log2
        depth *= np.float32(-1.0 / (LN2 * softness))
        depth += np.float32(edge / softness)
        opened = smootherstep(depth)
        opened *= np.float32(stops * LN2)
        gain[dim] = np.exp(opened, out=opened)
        return gain

    def inverse(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Divides each pixel by the gain that its tone had before the lift."""
        gain = self.tone_gain_back(light.luminance(rgb), numbers, light)
        return np.multiply(rgb, gain[..., None], out=rgb)

    def tone_gain_back(
        self, luminance: npt.NDArray[np.float32], numbers: Numbers, light: Light
    ) -> npt.NDArray[np.float32]:
        """The gain that takes the lift of a lifted luminance back; float32 of its shape."""
        gain = _gain_at(_tone_before(_tone_of(luminance, light), numbers), numbers)
        return np.exp2(-gain).astype(np.float32)


def _curve(numbers: Numbers) -> tuple[float, float, float]:
    stops, below, softness = (numbers[key] for key in ("stops", "below", "softness"))
    assert isinstance(stops, float | int)
    assert isinstance(below, float | int)
    assert isinstance(softness, float | int)
    return float(stops), float(below), float(softness)


def _tone_of(luminance: npt.NDArray[np.float32], light: Light) -> npt.NDArray[np.float64]:
    """Tone in the normalized picture, in stops from grey; -inf at or under 0."""
    with np.errstate(divide="ignore"):
        tone = np.log2(np.maximum(luminance, 0.0).astype(np.float64))
    return np.asarray(tone + (light.stops_to_come - math.log2(GREY)), np.float64)


def _gain_at(tone: npt.NDArray[np.float64], numbers: Numbers) -> npt.NDArray[np.float64]:
    """Gain in stops at a tone."""
    stops, below, softness = _curve(numbers)
    return np.asarray(smootherstep((below - tone) / softness) * stops, np.float64)


def _tone_before(lifted: npt.NDArray[np.float64], numbers: Numbers) -> npt.NDArray[np.float64]:
    """Solve ``t + g(t) = lifted`` for t: bracketed bisection, then Newton's last digits.

    The curve is strictly monotonic (its slope is at least 1/16), so the root is the only one and
    lies between ``lifted - stops`` and ``lifted``.
    """
    stops, below, softness = _curve(numbers)
    low = lifted - max(stops, 0.0)
    high = lifted - min(stops, 0.0)
    for _ in range(12):
        middle = 0.5 * (low + high)
        above = middle + _gain_at(middle, numbers) > lifted
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    tone = 0.5 * (low + high)
    for _ in range(4):
        x = np.clip((below - tone) / softness, 0.0, 1.0)
        slope = 1.0 - stops / softness * 30.0 * (x * (1.0 - x)) ** 2
        with np.errstate(invalid="ignore"):
            step = (tone + _gain_at(tone, numbers) - lifted) / slope
        tone = np.where(np.isfinite(step), np.clip(tone - step, low, high), lifted)
    return tone

"""The light of one flat patch: a robust mean of its pixels, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.meters.robust import spread
from gradeprep.plugins.contracts import Scale

__all__ = ["Patch", "Pieces", "RGB", "in_stops", "measure", "neutral", "pieces_of"]

RGB = tuple[float, float, float]

Samples = npt.NDArray[np.floating]
"""Samples of a patch: N x 3."""

Pieces = npt.NDArray[np.intp]
"""Number of a piece of the patch, for each of its N pixels."""

_CHANNELS = ("red", "green", "blue")
_REJECT = 3.0
_ACROSS = 4
_FEW = 8


@dataclass(frozen=True, slots=True)
class Patch:
    """The light of a patch.

    Attributes:
        rgb: Mean of each channel over the pixels used, scene-linear in the working space.
        luminance: Their luminance.
        sigma: Standard error of the luminance, in stops; infinite where there is no light.
        spread: Spread of single pixels, in stops.
        snr: Luminance over the spread of single pixels.
        pixels: Pixels there are.
        rejected: Pixels that stand apart and were left out.
        clipped: Share of clipped samples, by channel name, where there are any.
    """

    rgb: RGB
    luminance: float
    sigma: float
    spread: float
    snr: float
    pixels: int
    rejected: int
    clipped: dict[str, float]


def measure(
    pixels: Samples,
    recorded: Samples,
    *,
    pieces: Pieces,
    weights: RGB,
    scale: Scale,
    clipped: npt.NDArray[np.bool_],
) -> Patch:
    """Mean of the pixels within three sigma of the median, sigma from the median deviation.

    The median chooses, the mean of what agrees with it measures: a median of code values moves
    in whole codes. The standard error is that of the mean of as many pixels, or what the means
    of 4 x 4 pieces of the patch scatter by when that is more (noise that neighbours share, a
    slow gradient). Where the noise is too small to blur the steps between codes, a step's own
    uncertainty, ``step / sqrt(12)``, is added.

    Args:
        pixels: Scene-linear samples, N x 3.
        recorded: The same samples as recorded.
        pieces: Which piece of the patch each lies in (`pieces_of`).
        weights: Luminance weights.
        scale: What recorded values mean.
        clipped: Which samples are clipped, N x 3.
    """
    light = pixels.astype(np.float64)
    luminance = light @ np.asarray(weights)
    middle = float(np.median(luminance))
    step = _step(recorded, scale)
    sigma = max(spread(luminance), abs(middle) * step * math.log(2.0))
    keep = np.abs(luminance - middle) <= _REJECT * sigma
    red, green, blue = (float(value) for value in light[keep].mean(axis=0))
    level = float(np.dot((red, green, blue), weights))
    noise = spread(luminance)
    error = in_stops(_standard_error(luminance[keep], pieces[keep]), level)
    lost = clipped.mean(axis=0)
    return Patch(
        rgb=(red, green, blue),
        luminance=level,
        sigma=math.hypot(error, step * _undithered(recorded[keep], scale) / math.sqrt(12.0)),
        spread=in_stops(noise, level),
        snr=level / noise if noise > 0.0 else math.inf,
        pixels=len(light),
        rejected=int(np.count_nonzero(~keep)),
        clipped={name: float(s) for name, s in zip(_CHANNELS, lost, strict=True) if s > 0.0},
    )


def pieces_of(height: int, width: int) -> Pieces:
    """Which of 4 x 4 pieces each pixel of a rectangle lies in, height x width."""
    down = np.arange(height) * _ACROSS // height
    across = np.arange(width) * _ACROSS // width
    return (down[:, None] * _ACROSS + across[None, :]).astype(np.intp)


def neutral(rgb: RGB, luminance: float) -> RGB | None:
    """Per-channel stops that make a colour neutral and keep its luminance; None without light."""
    if min(rgb) <= 0.0:
        return None
    red, green, blue = (math.log2(luminance / value) for value in rgb)
    return (red, green, blue)


def in_stops(deviation: float, level: float) -> float:
    """A small deviation around a level, in stops, to first order."""
    return deviation / level / math.log(2.0) if level > 0.0 else math.inf


def _standard_error(luminance: npt.NDArray[np.float64], pieces: Pieces) -> float:
    """Standard error of the mean: alone, or over pieces where neighbours share their noise."""
    alone = float(np.std(luminance)) / math.sqrt(len(luminance))
    counts = np.bincount(pieces)
    means = np.bincount(pieces, luminance)[counts > 0] / counts[counts > 0]
    if len(means) < _FEW:
        return alone
    return max(alone, float(np.std(means, ddof=1)) / math.sqrt(len(means)))


def _step(recorded: Samples, scale: Scale) -> float:
    """Distance of two neighbouring codes at the patch's level, in stops."""
    if not scale.step:
        return 0.0
    code = float(np.median(recorded))
    low, high = scale.tone(np.asarray([code, code + scale.step]))
    return float(high - low) if np.isfinite(low) else 0.0


def _undithered(recorded: Samples, scale: Scale) -> float:
    """How much of a code step's uncertainty survives averaging, 0..1.

    Noise of s steps leaves ``exp(-2 (pi s)**2)`` of it: the characteristic function of the normal
    distribution at the first harmonic of the rounding error. A test computes it by the error
    function.
    """
    if not scale.step:
        return 0.0
    steps = float(np.mean(np.std(recorded, axis=0, dtype=np.float64))) / scale.step
    return math.exp(-2.0 * (math.pi * steps) ** 2)

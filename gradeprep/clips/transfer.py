"""The photon-transfer line of a plate: the noise that its own tones let expect.

Photons arrive at random, so the variance of a sample rises in proportion to its light, from the
read noise up (EMVA Standard 1288, photon transfer; Foi, Trimeche, Katkovnik and Egiazarian 2008,
"Practical Poissonian-Gaussian noise modeling and fitting for single-image raw data"). Debayering,
scaling and linear filters change the slope, not the proportion, so the plate is compared with
itself. Clipped light has no noise and lies far under the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.clips.blocks import Blocks
from gradeprep.clips.light import Curve

__all__ = ["Transfer", "falls", "fit", "least_variance"]

Floats = npt.NDArray[np.float64]

_PER_STOP = 4
_FEWEST = 6
"""Fewest blocks of a bin."""

_BINS = 2
"""Fewest bins that make a line."""

_BRIGHT = (0.5, 0.7, 0.9)
"""Shares of a channel's brightest light up to which the line is fitted: brighter light may be
clipped. The next one serves where the one before leaves too few bins."""

_OVER_ROUNDING = 2.0
"""How many times the variance of rounding noise is, at least."""

_LEAST_RISE = 0.3
"""Least exponent of the variance over the light; that of photons is 1."""

_UNEVEN = 0.2
"""Relative standard deviation of an even block's light, at most."""

_MANY = 30
"""Fewest blocks that make a line, and that show whether noise rises with the light."""

_MIDDLE = 0.5
_QUIETER = 0.25
"""Quantile of the blocks' variances that stands for a bin: the median between frames; within a
frame, where texture counts as noise, the quietest quarter."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """Noise expected at a level.

    Attributes:
        slope: Variance per light in each channel.
        floor: Variance without light.
        tied: Correlation of the channels' noise, 3 x 3.
    """

    slope: Floats
    floor: Floats
    tied: Floats

    def covariance(self, mean: npt.NDArray[np.floating]) -> Floats:
        """Noise covariance expected of blocks of a mean light, N x 3 to N x 3 x 3."""
        sigma = np.sqrt(np.maximum(mean, 0.0) * self.slope + self.floor)
        return np.asarray(sigma[:, :, None] * sigma[:, None, :] * self.tied)


def least_variance(variance: Floats, step: Floats) -> Floats:
    """Least variance that rounding to steps leaves of a noise.

    A noise much smaller than a step disappears where the mean lies in the middle of a code. Of a
    normal distribution centred there, ``erfc((k - 1/2) / (s sqrt 2))`` lies k steps or more away.

    Args:
        variance: Variance before rounding, N.
        step: Distance of two codes, N.
    """
    width = np.where(step > 0.0, step, 1.0)
    sigma = np.sqrt(np.maximum(variance, 0.0)) / width
    away = np.zeros_like(sigma)
    for k in range(1, 4):
        away += (2 * k - 1) * _erfc((k - 0.5) / (np.maximum(sigma, 1e-6) * math.sqrt(2.0)))
    return np.asarray(np.where((step > 0.0) & (sigma < 1.0), away * width**2, variance))


def _erfc(x: Floats) -> Floats:
    return np.array([math.erfc(each) for each in x.ravel()]).reshape(x.shape)


def fit(blocks: Blocks, curve: Curve) -> Transfer | None:
    """The line of some blocks; None where they show too few tones or no noise."""
    lines = [_line(blocks, curve, channel) for channel in range(3)]
    if any(line is None for line in lines):
        return None
    slope, floor = (np.array(each) for each in zip(*lines, strict=True))
    sigma = np.sqrt(np.maximum(blocks.mean, 0.0) * slope + floor)
    usable = (blocks.mean > 0.0).all(axis=1) & (
        blocks.mean < _BRIGHT[-1] * _brightest(blocks.mean)
    ).all(axis=1)
    if np.count_nonzero(usable) < _FEWEST:
        return None
    scaled = blocks.noise[usable] / (sigma[usable, :, None] * sigma[usable, None, :])
    total = np.trace(scaled, axis1=1, axis2=2)
    calm = scaled[total <= np.quantile(total, 0.6)].mean(axis=0)
    root = np.sqrt(np.diag(calm))
    if not (root > 0.0).all():
        return None
    return Transfer(slope, floor, calm / np.outer(root, root))


def falls(blocks: Blocks) -> bool:
    """Whether noise falls where light rises, as it does in a log picture taken for linear."""
    light = blocks.mean.mean(axis=1)
    noise = np.trace(blocks.noise, axis1=1, axis2=2)
    lit = (blocks.mean > 0.0).all(axis=1) & (noise > 0.0)
    if np.count_nonzero(lit) < _MANY:
        return False
    return bool(np.polyfit(np.log(light[lit]), np.log(noise[lit]), 1)[0] < 0.0)


def _brightest(mean: npt.NDArray[np.floating]) -> Floats:
    return np.asarray(np.quantile(mean, 0.999, axis=0))


def _line(blocks: Blocks, curve: Curve, channel: int) -> tuple[float, float] | None:
    """Slope and floor of a channel's variance against its light.

    Bins of a quarter stop, each one vote, however much of the picture it covers. The slope is the
    median of variance over light in the brighter half of the bins; the floor is what the darker
    ones have over it.
    """
    for share in _BRIGHT:
        found = _binned(blocks, channel, share)
        if len(found) >= _BINS:
            break
    else:
        return None
    levels, noises = np.array(found).T
    rounding = curve.step(levels) ** 2 / 12.0
    if np.median(noises / rounding) < _OVER_ROUNDING:
        return None
    noises = np.maximum(noises - rounding, 0.0)
    if not _rises(levels, noises):
        return None
    ratio = noises / levels
    upper = ratio[len(ratio) // 2 :]
    slope = float(np.median(upper)) if blocks.temporal else float(np.quantile(upper, 0.25))
    if not slope > 0.0:
        return None
    floor = float(np.median((noises - slope * levels)[: max(1, len(ratio) // 4)]))
    return slope, max(floor, 0.0)


def _binned(blocks: Blocks, channel: int, share: float) -> list[tuple[float, float]]:
    """Light and variance of the bins of a channel, up to a share of its brightest light."""
    light, variance = blocks.mean[:, channel], blocks.noise[:, channel, channel]
    top = share * float(_brightest(blocks.mean)[channel])
    usable = (light > 0.0) & (light < top) & (variance >= 0.0)
    even = usable & (blocks.relief[:, channel, channel] <= (_UNEVEN * light) ** 2)
    if np.count_nonzero(even) >= _MANY:
        usable = even  # an edge of a clipped area is quiet, too
    light, variance = light[usable], variance[usable]
    bins = np.floor(np.log2(light) * _PER_STOP).astype(int)
    which = _MIDDLE if blocks.temporal else _QUIETER
    return [
        (float(np.median(light[bins == b])), float(np.quantile(variance[bins == b], which)))
        for b in np.unique(bins)
        if np.count_nonzero(bins == b) >= _FEWEST
    ]


def _rises(levels: Floats, noises: Floats) -> bool:
    """Whether the noise of the brighter half rises with the light, as that of photons does.

    Where it does not, the picture is not linear light: a log curve taken for none.
    """
    upper = (levels >= np.median(levels)) & (noises > 0.0)
    if np.count_nonzero(upper) < 3 or levels[-1] < 2.0 * levels[upper][0]:
        upper = noises > 0.0
    if np.count_nonzero(upper) < 2:
        return False
    x, y = np.log(levels[upper]), np.log(noises[upper])
    first, second = np.triu_indices(len(x), 1)
    rise = np.median((y[second] - y[first]) / (x[second] - x[first]))  # Theil and Sen
    return bool(rise > _LEAST_RISE)

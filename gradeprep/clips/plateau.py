"""The plateau of a clipped channel's recorded values.

A saturated sensor cuts its distribution off. What lies above the cut piles up on it, in a band
narrower than the noise of any lit surface, and nothing lies above. Two signs are required:

- *The pile.* The topmost band holds significantly more than the bands under it, at least twice
  as much. Without a cut, noise leaves a thin tail at the top of a lamp, a sky or a lit patch.
- *The surroundings.* Either the pixels around the plateau are close under it, as around a
  clipped light. Or the plateau is too quiet: noise as in the quietest places elsewhere would
  scatter many of its pixels off the band. A drawn patch shows neither, nor does a lit one.

Where there is no noise (a drawn or denoised picture), the pile must be four times as large: around
a smooth maximum the area per band is even (a paraboloid), and 2.4 and 3.8 times as large in the
top band for a flatter one (fourth, sixth power).

A plate whose float values pile up at exactly 1.0 was cut at the end of a display range; there
the pile alone is enough.

Values are counted in their own steps: codes as they are, floats by their leading bits, which is a
logarithm cut in 1024 to 2048 bins a stop (IEEE 754 binary32; a half falls on one bin each).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from gradeprep.plugins.contracts import Pixels, Scale

__all__ = ["Band", "Bins", "Surroundings", "band", "convincing", "surroundings"]

Counts = npt.NDArray[np.int64]
Indices = npt.NDArray[np.int32]

_FLOAT_BITS = 13
"""Trailing bits of a float32 that a half does not have."""

_FINEST_CODE = 1.0 / 4096.0
"""Codes finer than this are counted as floats."""

_REACH = 2048
"""How many bins from the topmost down are looked at: a stop of half floats."""

_NARROW = 0.012
"""Widest band in stops: the noise (one sigma) of a photosite that holds 15,000 electrons."""

_PILE = 2.0
"""How many times what the bands under it let expect a pile holds, where there is noise."""

_PILE_IN_FLAT = 4.0
"""The same in a picture that is flat elsewhere, too, and for a band of several bins."""

_NEXT = 4
"""How many of the values next under a pile it is held against."""

_NOISY = 0.3
"""Standard deviation of noise, in bins, from which on it smooths the tops of distributions."""

_QUIETEST = 0.1
"""Share of the blocks that count as quiet: without texture."""

_QUIET = 0.4
"""Share of the scatter expected that a plateau may show."""

_DIFFERENCE = 2.0 / math.sqrt(math.pi)
"""Mean absolute difference of two samples of a normal distribution, over its sigma."""

_NEAR = 0.15
"""How far under the plateau its surroundings may stand, in stops."""

_DARK = -40.0
"""Tone that stands for no light, in stops from grey."""

_BLOCK = 8


@dataclass(frozen=True, slots=True)
class Bins:
    """Steps in which recorded values are counted.

    Attributes:
        step: Distance of two codes; 0 where values are counted by their leading bits.
    """

    step: float

    @classmethod
    def of(cls, scale: Scale) -> Bins:
        """The steps of a plate."""
        return cls(scale.step if scale.step >= _FINEST_CODE else 0.0)

    def index(self, recorded: Pixels) -> Indices:
        """Bin of each value; values at or under zero lie in bin 0."""
        lit = np.maximum(recorded, np.float32(0.0))
        if self.step:
            return np.rint(lit * np.float32(1.0 / self.step)).astype(np.int32)
        return np.asarray((lit + np.float32(0.0)).view(np.int32) >> _FLOAT_BITS)

    def value(self, index: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Lowest value of a float's bin; the code's own value."""
        if self.step:
            return np.asarray(index, np.float64) * self.step
        bits = np.asarray(index, np.int32) << _FLOAT_BITS
        return np.asarray(bits, np.int32).view(np.float32).astype(np.float64)

    def count(self, index: Indices) -> Counts:
        """Number of values in each bin, as far as there are any."""
        return np.bincount(index.ravel())


@dataclass(frozen=True, slots=True)
class Band:
    """A pile at the top of a channel's values.

    Attributes:
        low: Its lowest bin.
        width: Number of its bins.
        pile: How many times what was expected it holds.
        wide: Whether it is wider than the noise of a lit patch may be: two coarse codes, where
            ripple goes over the border between them.
    """

    low: int
    width: int
    pile: float
    wide: bool


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What stands around a band's pixels in one frame.

    Attributes:
        under: How far under the band the pixels around it stand, in stops: their median.
        noise: Standard deviation that noise has at the band's tone, in bins.
        pixels: Number of pixels in the band's areas, holes included.
        strays: How many of them are off the band.
    """

    under: float
    noise: float
    pixels: int
    strays: int


def band(counts: Counts, bins: Bins, scale: Scale, *, least: int) -> Band | None:
    """The pile at the top of a channel's values, if there is one.

    Args:
        counts: Number of values in each bin, over all frames looked at.
        bins: The bins.
        scale: What the values mean.
        least: Fewest pixels that make a pile.
    """
    lit = np.flatnonzero(counts[1:])
    if not lit.size:
        return None
    top = int(lit[-1]) + 1
    cut = max(0, top - _REACH)
    counts = counts[cut:]
    above = np.append(np.cumsum(counts[::-1])[::-1], np.zeros(1, np.int64))  # at or over each bin
    tones = _tones(bins, scale, np.arange(cut, top + 1))
    near = int(np.searchsorted(tones, tones[-1] - _NEAR))
    width = 1
    while width <= 2 or (width < tones.size and tones[-1] - tones[-1 - width] <= _NARROW):
        found = _pile(above, counts, width, least, near)
        # Over several bins the tail of a whole patch may fall inside the band with its middle.
        if found is not None and found.pile >= (_PILE if width == 1 else _PILE_IN_FLAT):
            wide = width > 1 and float(tones[-1] - tones[-1 - width]) > _NARROW
            return replace(found, low=found.low + cut, wide=wide)
        width *= 2
    return None


def _stops(bins: Bins, scale: Scale, low: int, high: int) -> float:
    tones = _tones(bins, scale, np.asarray([low, high]))
    return float(tones[1] - tones[0])


def _tones(bins: Bins, scale: Scale, index: npt.NDArray[np.integer]) -> npt.NDArray[np.float64]:
    """Tones of bins; darkness has a tone, too, far below all others."""
    return np.maximum(scale.tone(bins.value(index)), _DARK)


def _pile(above: Counts, counts: Counts, width: int, least: int, near: int) -> Band | None:
    """The largest pile of a width; bins from ``near`` on lie close under the top."""
    over = above[5 * width :]
    here = above[4 * width : -width] - over
    under = above[3 * width : -2 * width] - above[4 * width : -width]
    average = (above[: -5 * width] - above[4 * width : -width]) / 4.0
    expected = np.maximum(under, average)
    enough = (here >= least) & (over <= 2 + 0.03 * here)
    piled = enough & (here >= _PILE * expected) & (here >= expected + 5.0 * np.sqrt(expected))
    if not piled.any():
        return None
    place = int(np.argmax(np.where(piled, here, 0)))
    low = place + 4 * width
    # A picture of few values leaves bins empty between them: then the values next to it count.
    used = min(near, low) + np.flatnonzero(counts[near:low])[-_NEXT:]
    mean = float(counts[used].mean()) if used.size else 0.0
    return Band(low, width, float(here[place]) / max(float(expected[place]), mean, 1.0), False)


def surroundings(index: Indices, found: Band, bins: Bins, scale: Scale) -> Surroundings | None:
    """What stands around the band's pixels; None in a frame that has none.

    Args:
        index: Bin of each pixel of one channel, H x W.
        found: The band.
        bins: The bins.
        scale: What the values mean.
    """
    mask = index >= found.low
    if not mask.any():
        return None
    spread = _dilated(mask)
    closed = _eroded(spread) | mask
    around = index[_dilated(closed) & ~closed]
    under = np.inf
    if around.size:
        under = _stops(bins, scale, int(np.median(around)), found.low)
    over = int(np.count_nonzero(index >= found.low + found.width))
    holes = int(
        np.count_nonzero(_eroded(closed) & ~mask)
    )  # an edge that demosaicing blurred is none
    noise = _noise(index, ~spread, found, bins, scale)
    return Surroundings(under, noise, int(np.count_nonzero(mask)) + holes, holes + over)


def _noise(
    index: Indices, elsewhere: npt.NDArray[np.bool_], found: Band, bins: Bins, scale: Scale
) -> float:
    """Noise at the band's tone, in bins, from the quietest blocks elsewhere.

    Shot noise in stops falls with the root of the light (EMVA Standard 1288): that of a block at
    another tone is carried over so. Samples two apart are compared, as demosaicing ties neighbours
    together. 0 where no block is usable.
    """
    rows, columns = (size // _BLOCK for size in index.shape)
    shape = (rows, _BLOCK, columns, _BLOCK)
    whole = (slice(rows * _BLOCK), slice(columns * _BLOCK))
    blocks = index[whole].reshape(shape)
    usable = elsewhere[whole].reshape(shape).all(axis=(1, 3)) & (blocks.min(axis=(1, 3)) > 0)
    if not usable.any():
        return 0.0
    apart = np.abs(blocks[..., 2:] - blocks[..., :-2])
    steps = apart.mean(axis=(1, 3), dtype=np.float64)[usable]
    level = blocks.mean(axis=(1, 3), dtype=np.float64)[usable].astype(np.int32)
    levels, at = np.unique(np.append(level, found.low), return_inverse=True)
    tones = _tones(bins, scale, levels)
    widths = _tones(bins, scale, levels + 1) - tones
    tone, width = tones[at], widths[at]
    carried = np.exp2(0.5 * (tone[:-1] - tone[-1])) * width[:-1] / width[-1]
    return float(np.quantile(steps * carried, _QUIETEST)) / _DIFFERENCE


def _dilated(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The mask and all pixels that touch it, corners included."""
    wide = mask.copy()
    wide[:, 1:] |= mask[:, :-1]
    wide[:, :-1] |= mask[:, 1:]
    tall = wide.copy()
    tall[1:] |= wide[:-1]
    tall[:-1] |= wide[1:]
    return tall


def _eroded(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The pixels of a mask that touch nothing else."""
    return ~_dilated(~mask)


def convincing(found: Band, seen: list[Surroundings], bins: Bins, *, photons: bool = True) -> bool:
    """Whether a band is where the plate's values were cut off: the module's second sign.

    Args:
        found: The band.
        seen: What surrounds it, in some frames.
        bins: The bins.
        photons: Whether the plate's noise is that of photons, so that quiet is a sign.
    """
    at_one = int(bins.index(np.ones(1, np.float32))[0])
    if not bins.step and found.low <= at_one < found.low + found.width:
        return True
    noise = float(np.median([one.noise for one in seen]))
    under = float(np.median([one.under for one in seen]))
    enough = _PILE if noise >= _NOISY else _PILE_IN_FLAT
    if under <= _NEAR and found.pile >= enough and not found.wide:
        return True
    if noise <= 0.0 or not photons:
        return False
    off = math.erfc(found.width / (2.0 * math.sqrt(2.0) * noise))  # of a band around the mean
    expected = off * sum(one.pixels for one in seen)
    strays = sum(one.strays for one in seen)
    return strays <= min(_QUIET * expected, expected - 2.0 * math.sqrt(expected))

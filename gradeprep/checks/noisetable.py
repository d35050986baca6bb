"""Noise per tone of a plate, from a few pairs of neighbouring frames.

Every bin is temporal where enough blocks of its tone hold still, and spatial elsewhere: the
difference of two frames takes no texture for noise, and sees noise that neighbours share
(demosaicing, compression), which a high-pass does not. Where the noise is white, both can only
say too much, by motion or by texture, and the smaller is the better. Where it is not and nothing
holds still, the noise reads too large. In a tone full of texture the spatial estimate is
read from the smoothest tenth of the blocks. Noise is cut off at the ends of the recorded range;
blocks with samples there are left out. Noise finer than a code step shows as that step, or not
at all.

Tone and noise are of luminance, and again of each channel by itself: the tone of a channel
is its own level, whatever the colour.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.checks.blocks import BLOCK, Blocks, Values, high_pass, still, tiles
from gradeprep.checks.ends import at_an_end
from gradeprep.checks.tones import NoiseBin, NoiseCurve, bin_of
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["LEAST", "SIGNALS", "NoiseTable", "measure_noise"]

SIGNALS = ("luminance", "R", "G", "B")

LEAST = 16
"""Blocks that make a bin: a thousand samples, 0.2 dB."""

_DB = 20.0 / math.log(10.0)
"""dB of a small relative change of an amplitude."""

_STRAY = 2.25
"""A block whose variance is so many times its bin's median moved, or has texture: of noise alone
it would be seven standard deviations out by frame difference, three by high-pass."""

_SMOOTH = 0.1
"""Share of a textured bin's blocks, the smoothest, that its spatial noise rests on."""

_SMOOTH_SIGMA = 0.795
"""Immerkaer's estimate in the block at that share over the mean of all blocks; this and the next
three are of white noise, by Monte Carlo."""

_SMOOTH_ERROR = 0.295
"""Standard error of that quantile over itself, times the root of the number of blocks."""

_BLOCK_ERROR = 0.166
"""Standard deviation of one block's estimate over its mean."""

_TEXTURED = 1.35
"""A bin has texture when its median block says so many times what the smooth one says: white
noise comes to 1.244."""

_WHITE = 1.3
"""Noise whose neighbours are tied less than this is taken as white."""

_PLAINLY = 5.0
"""Standard errors by which one estimate must fall short of another to be the better."""

_SURE = 3.0
"""Standard errors that a block's mean must be above zero, or its tone is chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseTable:
    """Noise per tone.

    Attributes:
        normalized: Whether it is of the picture after lift and pull, or as recorded.
        pairs: Frames looked at, two by two; one alone where the plate has no second.
        held: Pairs whose frames are the same to the bit, which say nothing of noise.
        moving: Share of the blocks of luminance, 0..1, that do not hold still in their pair.
        curves: One a signal: luminance, R, G, B.
    """

    normalized: bool
    pairs: tuple[tuple[int, ...], ...]
    held: int
    moving: float
    curves: tuple[NoiseCurve, ...]

    @property
    def luminance(self) -> NoiseCurve:
        """The curve of luminance."""
        return self.curves[0]

    @property
    def channels(self) -> tuple[NoiseCurve, ...]:
        """The curves of R, G and B."""
        return self.curves[1:]

    def numbers(self) -> dict[str, Any]:
        """It as plain data: every number finite."""
        return {
            "pairs": [list(pair) for pair in self.pairs],
            "held": self.held,
            "moving": round(self.moving, 4),
            **{curve.name: curve.numbers() for curve in self.curves},
        }


def measure_noise(
    plate: PlateView, frames: Iterable[int], *, normalized: bool = False
) -> NoiseTable:
    """Noise per tone, each of the given frames paired with its neighbour.

    Args:
        plate: The plate.
        frames: Frame numbers; each is looked at with the frame after it, the last one with the
            one before it. Pairs are looked at in parallel; two decoded frames a processor are
            held at a time.
        normalized: Measure after all decided stages instead of as recorded.

    Raises:
        ValueError: A frame that the plate has not.
    """
    pairs = _pairs(plate, frames)
    picture = plate.normalized if normalized else plate.pixels

    def look(index: int) -> _Seen:
        return _look(plate, pairs[index], picture)

    seen = plate.each(range(len(pairs)), look)
    found = [[one.signals[i] for one in seen] for i in range(len(SIGNALS))]
    curves = [_curve(name, samples) for name, samples in zip(SIGNALS, found, strict=True)]
    return NoiseTable(
        normalized=normalized,
        pairs=pairs,
        held=sum(one.held for one in seen),
        moving=sum(one.moving for one in seen) / max(1, len(seen)),
        curves=tuple(curves),
    )


def _pairs(plate: PlateView, frames: Iterable[int]) -> tuple[tuple[int, ...], ...]:
    """Every frame with its neighbour in the plate, no pair twice."""
    numbers = tuple(plate.frames)
    if len(numbers) == 1:
        return (numbers,)
    places = (min(numbers.index(frame), len(numbers) - 2) for frame in frames)
    return tuple((numbers[place], numbers[place + 1]) for place in sorted(set(places)))


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one pair says.

    Attributes:
        signals: Temporal and spatial blocks of each signal; no temporal ones where there is no
            second frame to compare, or it is held.
        held: Whether its frames are the same.
        moving: Share of the compared blocks of luminance that do not hold still.
    """

    signals: list[tuple[Blocks | None, Blocks]]
    held: bool
    moving: float


def _look(plate: PlateView, pair: tuple[int, ...], picture: Callable[[int], Pixels]) -> _Seen:
    first, second = picture(pair[0]), picture(pair[-1])
    usable = _within(plate, pair[0])
    spatial = [high_pass(signal, usable) for signal in _signals(first, plate.weights)]
    if len(pair) < 2 or first.shape != second.shape:
        return _Seen([(None, blocks) for blocks in spatial], held=False, moving=0.0)
    both = usable & _within(plate, pair[1])
    signals = zip(_signals(first, plate.weights), _signals(second, plate.weights), strict=True)
    temporal = [still(one, two, both) for one, two in signals]
    compared = int(np.count_nonzero(both))
    moving = 0.0
    if temporal[0] is not None and compared:
        moving = 1.0 - temporal[0].level.size / compared
    return _Seen(list(zip(temporal, spatial, strict=True)), temporal[0] is None, moving)


def _within(plate: PlateView, frame: int) -> npt.NDArray[np.bool_]:
    """Blocks of a frame without a sample at an end of the recorded range."""
    ends = at_an_end(plate.recorded(frame), plate.scale.ceiling)
    return ~np.asarray(tiles(ends).any(axis=(1, 2)))


def _signals(
    picture: Pixels, weights: tuple[float, float, float]
) -> Iterator[npt.NDArray[np.float32]]:
    yield picture @ np.asarray(weights, np.float32)
    for channel in range(3):
        yield picture[..., channel]


def _curve(name: str, found: list[tuple[Blocks | None, Blocks]]) -> NoiseCurve:
    pairs = [temporal for temporal, _ in found if temporal is not None]
    temporal = _bins(pairs, "temporal")
    spatial = _bins([spatial for _, spatial in found], "spatial")
    white = all(pair.tied < _WHITE for pair in pairs)
    bins = [
        _better(temporal.get(number), spatial.get(number), white=white)
        for number in sorted(temporal.keys() | spatial.keys())
    ]
    return NoiseCurve(name, tuple(one for one in bins if one is not None))


def _better(temporal: NoiseBin | None, spatial: NoiseBin | None, *, white: bool) -> NoiseBin | None:
    """The temporal one, unless there is none or white noise makes it say plainly too much."""
    if temporal is None or spatial is None:
        return temporal or spatial
    doubt = math.hypot(temporal.uncertainty, spatial.uncertainty)
    return spatial if white and spatial.db - temporal.db > _PLAINLY * doubt else temporal


def _bins(found: list[Blocks], method: str) -> dict[int, NoiseBin]:
    """Third-stop bin to its noise, of all bins that have one."""
    found = [blocks for blocks in found if blocks.level.size]
    if not found:
        return {}
    level = np.concatenate([blocks.level for blocks in found])
    variance = np.concatenate([blocks.variance for blocks in found])
    places = bin_of(level)
    order = np.argsort(places, kind="stable")
    numbers, starts = np.unique(places[order], return_index=True)
    made = {}
    for number, members in zip(numbers, np.split(order, starts[1:]), strict=True):
        one = _bin(level[members], variance[members], method)
        if one is not None:
            made[int(number)] = one
    return made


def _bin(level: Values, variance: Values, method: str) -> NoiseBin | None:
    """One bin, or None: too few blocks, no noise in most of them, or too dark for a tone."""
    if level.size < LEAST or not np.median(variance) > 0.0:
        return None
    sigma, error = (_temporal if method == "temporal" else _spatial)(variance)
    middle = float(level.mean())
    if not sigma > 0.0 or middle < _SURE * sigma / BLOCK:
        return None
    return NoiseBin(
        level=middle,
        sigma=sigma,
        uncertainty=_DB * error,
        samples=level.size * BLOCK * BLOCK,
        method=method,
    )


def _temporal(variance: Values) -> tuple[float, float]:
    """Sigma of a bin and its relative error, from squares, strays left out."""
    kept = variance[variance <= _STRAY * np.median(variance)]
    mean = float(kept.mean())
    return math.sqrt(mean), 0.5 * float(kept.std()) / mean / math.sqrt(kept.size)


def _spatial(variance: Values) -> tuple[float, float]:
    """The same from absolute values; of the smoothest blocks where the bin has texture."""
    sigmas = np.sqrt(variance)
    smooth, middle = np.quantile(sigmas, (_SMOOTH, 0.5))
    root = math.sqrt(sigmas.size)
    if middle > _TEXTURED * smooth:
        return float(smooth) / _SMOOTH_SIGMA, _SMOOTH_ERROR / root
    return float(sigmas[variance <= _STRAY * middle**2].mean()), _BLOCK_ERROR / root

"""Noise of small blocks of a picture: from the difference of two frames, or from one by high-pass.

*Temporal*: where the picture holds still, the difference of two frames is noise alone, its
standard deviation ``sqrt(2)`` times that of one (ISO 15739 over two frames). A drift of exposure
between the two is taken out first. Whether a block holds still shows in the difference's own
structure: in noise, the means of 2 x 2 cells spread as much as the samples in them let expect
(an F test, 16 and 48 degrees of freedom); what moves leaves edges, and the cells spread more.
Demosaicing and compression tie neighbours together and widen the spread everywhere, so the
stillest blocks of the frame set the measure. A textured picture that sways as a whole by a
fraction of a pixel looks the same; its noise comes out too large, by 2 dB for half a pixel.

*Spatial*: Immerkaer 1996, "Fast Noise Variance Estimation", CVIU 64(2), 300-302: the kernel
``[1 -2 1] x [1 -2 1]`` answers neither to level nor to gradient nor, much, to edges along the
rows or columns; ``sigma = sqrt(pi / 2) / 6 * mean(abs(response))``. It sees no noise that is
smooth over neighbouring pixels, and takes fine texture for noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["BLOCK", "Blocks", "Values", "high_pass", "immerkaer", "still", "tiles"]

BLOCK = 8
"""Side of a block, in pixels."""

Plane = npt.NDArray[np.float32]
"""One signal of a frame: float32, H x W, scene-linear."""

Values = npt.NDArray[np.float64]
"""One number a block."""

Sample = TypeVar("Sample", bound=np.generic)

_CELLS = BLOCK // 2
_F_LOW = 0.470
"""5 % quantile of the F distribution, 16 and 48 degrees of freedom (by Monte Carlo)."""
_F_HIGH = 3.18
"""Its 99.9 % quantile."""
_MOST_TIED = 6.0
"""No noise spreads the cells more than this: bilinear demosaicing of a channel comes to 3.9."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks that say something of the noise.

    Attributes:
        level: Mean scene-linear value of each.
        variance: Variance of the noise in each.
        tied: How much more neighbours move together than in white noise; 1 for white noise, and
            where it is unknown.
    """

    level: Values
    variance: Values
    tied: float = 1.0


def tiles(plane: npt.NDArray[Sample]) -> npt.NDArray[Sample]:
    """Whole blocks of a plane, a pixel's border left out: N x BLOCK x BLOCK, row by row.

    The border is where the high-pass has no answer; all of this module counts its blocks so.
    """
    inner = plane[1:-1, 1:-1]
    rows, columns = (max(0, size) // BLOCK for size in inner.shape)
    whole = inner[: rows * BLOCK, : columns * BLOCK]
    grid = whole.reshape(rows, BLOCK, columns, BLOCK).swapaxes(1, 2)
    return grid.reshape(rows * columns, BLOCK, BLOCK)


def still(first: Plane, second: Plane, usable: npt.NDArray[np.bool_]) -> Blocks | None:
    """Noise of the blocks that hold still from one frame to another.

    Args:
        first: A frame.
        second: Another frame of the same size.
        usable: Which of the frame's blocks may be used; as many as `tiles` gives.

    Returns:
        None for a held frame: more than half of the lit blocks are the same to the bit.
    """
    one, two = tiles(first)[usable], tiles(second)[usable]
    one_level, two_level = _means(one), _means(two)
    lit = (one_level > 0.0) & (two_level > 0.0)
    if not lit.any():
        return Blocks(one_level[lit], one_level[lit])
    if np.median(np.abs(one - two).max(axis=(1, 2))[lit]) == 0.0:
        return None
    drift = math.exp(np.median(np.log(two_level[lit] / one_level[lit])))
    root = np.float32(math.sqrt(drift))
    difference = one * root - two / root
    level = 0.5 * (one_level * root + two_level / root)
    square = _means(np.square(difference))
    cells = difference.reshape(-1, _CELLS, 2, _CELLS, 2).mean(axis=(2, 4), dtype=np.float64)
    between = np.square(cells).mean(axis=(1, 2))
    spread = _spread(between, square)
    tied = _tied(spread[lit])
    keep = lit & (spread <= _F_HIGH * tied)
    return Blocks(level[keep], 0.5 * square[keep], tied)


def _spread(between: Values, square: Values) -> Values:
    """The F statistic of each block: spread of the cells' means over that of their samples."""
    within = np.maximum(square - between, 0.0) / 3.0  # 48 degrees of freedom among 64 samples
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(square > 0.0, between / within, 0.0)


def _tied(spread: Values) -> float:
    """How far the noise itself widens the spread, from the stillest blocks.

    Where most blocks move nevertheless, those say nothing either: 1, as for white noise.
    """
    tied = min(max(float(np.quantile(spread, 0.05)) / _F_LOW, 1.0), _MOST_TIED)
    return tied if np.median(spread) <= _F_HIGH * tied else 1.0


def high_pass(plane: Plane, usable: npt.NDArray[np.bool_]) -> Blocks:
    """Noise of each block by Immerkaer's estimator.

    Args:
        plane: A frame.
        usable: Which of the frame's blocks may be used; as many as `tiles` gives.
    """
    level = _means(tiles(plane)[usable])
    response = np.zeros_like(plane)
    response[1:-1, 1:-1] = np.abs(_response(plane))
    sigma = _means(tiles(response)[usable]) * (math.sqrt(math.pi / 2.0) / 6.0)
    lit = level > 0.0
    return Blocks(level[lit], np.square(sigma[lit]))


def immerkaer(plane: npt.NDArray[np.floating]) -> float:
    """Standard deviation of the noise of a whole plane (Immerkaer 1996), same unit as the plane.

    >>> round(immerkaer(np.array([[1.0, 2.0, 3.0], [4.0, 9.0, 6.0], [7.0, 8.0, 9.0]])), 6)
    3.342171
    """
    return math.sqrt(math.pi / 2.0) / 6.0 * float(np.abs(_response(plane)).mean(dtype=np.float64))


def _response(plane: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """The kernel's answer, two rows and two columns smaller than the plane."""
    rows = plane[:-2] - 2.0 * plane[1:-1] + plane[2:]
    return np.asarray(rows[:, :-2] - 2.0 * rows[:, 1:-1] + rows[:, 2:])


def _means(blocks: npt.NDArray[np.floating]) -> Values:
    return np.asarray(blocks.mean(axis=(1, 2), dtype=np.float64))

"""Robust statistics: a location that outliers do not move, and what it is uncertain by."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["location", "spread", "tile_error", "weights_around"]

Values = npt.NDArray[np.float64]

_MAD_TO_SIGMA = 1.482602219
"""Normal distribution: 1 / Phi^-1(3/4)."""

_BEND = 1.345
"""Deviation, in sigma, from which on a value's pull grows no more: 95 % efficiency on a normal
distribution (bounded-influence M-estimator)."""

_ROUNDS = 20


def spread(values: npt.NDArray[np.floating]) -> float:
    """One sigma of a normal distribution with this median absolute deviation."""
    middle = np.median(values)
    return float(np.median(np.abs(values - middle))) * _MAD_TO_SIGMA


def location(values: Values, errors: Values) -> float:
    """Weighted location of bounded influence, by iterated reweighting from the median.

    Args:
        values: N numbers.
        errors: One sigma of each; what they scatter beyond it is estimated and added.
    """
    middle, extra = float(np.median(values)), spread(values)
    for _ in range(_ROUNDS):
        weights = weights_around(values, errors, middle=middle, extra=extra)
        middle = float(np.sum(weights * values) / np.sum(weights))
    return middle


def weights_around(values: Values, errors: Values, *, middle: float, extra: float) -> Values:
    """Bounded weights over the variances: ``errors`` squared and the common scatter's."""
    sigma = np.sqrt(np.square(errors) + max(extra, 1e-9) ** 2)
    away = np.abs(values - middle) / sigma
    return np.asarray(np.minimum(1.0, _BEND / np.maximum(away, _BEND)) / np.square(sigma))


def tile_error(
    values: Values, weights: Values, tiles: npt.NDArray[np.intp], middle: float
) -> float:
    """Standard error of a weighted mean whose residuals stick together tile by tile.

    The sandwich estimator over clusters, ``sqrt(sum_t (sum_i w r)**2) / sum w``: errors that all
    pixels of a tile share are not averaged away. Few tiles may hold most of the weight and agree
    by chance: never under the estimator without clusters, nor under ``1 / sqrt(sum w)``.

    Args:
        values: N numbers.
        weights: Their weights, inverse variances.
        tiles: Number of the tile of each.
        middle: The weighted mean.
    """
    pull = weights * (values - middle)
    together = np.bincount(tiles, pull)
    count = np.count_nonzero(np.bincount(tiles))
    clustered = np.sum(np.square(together)) * count / max(count - 1, 1)
    whole = float(np.sum(weights))
    return math.sqrt(max(float(clustered), float(np.sum(np.square(pull))), whole)) / whole

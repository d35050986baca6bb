"""Where recorded values come to an end: a value that is shared, and so is no chance."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["LEAST", "shared"]

LEAST = 16
"""Samples of one value that make a plateau and no chance."""


def shared(plane: npt.NDArray[np.floating], value: float) -> npt.NDArray[np.bool_] | None:
    """Where samples have a value, H x W; None where fewer than 16 have it."""
    there = np.asarray(plane == value)
    return there if np.count_nonzero(there) >= LEAST else None

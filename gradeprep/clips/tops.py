"""The top of one frame: the largest value of a channel, where many samples share it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gradeprep.ends import shared
from gradeprep.plugins.contracts import Pixels

__all__ = ["tops"]

_NEAR = 0.01
"""Width of the zone under a plateau that must hold fewer samples than it, as share of its value."""

_GRAIN = 0.9
"""Share of equal neighbours over which a picture has no noise: painted or rendered."""


def tops(recorded: Pixels, ceiling: float | None) -> npt.NDArray[np.float64]:
    """The recorded value from which each channel counts as clipped; inf where it does not clip.

    Either the end of the encoding, or the channel's largest value, shared by at least 16 samples
    and by more than lie in the hundredth below it, in a picture that has noise elsewhere.

    Args:
        recorded: Recorded samples of the whole frame, H x W x 3.
        ceiling: Largest value that the encoding holds, if there is one.
    """
    found = [_plateau(recorded[..., channel]) for channel in range(recorded.shape[2])]
    end = np.inf if ceiling is None else ceiling
    return np.minimum(found, end)


def _plateau(plane: npt.NDArray[np.floating]) -> float:
    top = float(plane.max())
    there = shared(plane, top)
    if there is None:
        return np.inf
    count = int(np.count_nonzero(there))
    near = int(np.count_nonzero(plane > top - _NEAR * abs(top))) - count
    return top if count > near and _has_noise(plane, there) else np.inf


def _has_noise(plane: npt.NDArray[np.floating], there: npt.NDArray[np.bool_]) -> bool:
    """Whether neighbours below the plateau differ, as a sensor's always do."""
    outside = ~(there[:, 1:] | there[:, :-1])
    pairs = int(np.count_nonzero(outside))
    equal = int(np.count_nonzero((plane[:, 1:] == plane[:, :-1]) & outside))
    return pairs > 0 and equal < _GRAIN * pairs

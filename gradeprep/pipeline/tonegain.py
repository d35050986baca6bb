"""A lift, and any plain gains, plane by plane: each pixel's gain depends on its luminance alone.

In a scene-linear space luminance is a weighted sum whatever the primaries are, and one gain for
all three channels commutes with every matrix between them. So nothing is converted, nothing is
interleaved, and each sample is multiplied once and rounded once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gradeprep.model.frame import Plane
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.samples import CHUNK, Outcome, Wanted, load, look, store

__all__ = ["tone_gain"]

Floats = npt.NDArray[np.float32]


def tone_gain(
    planes: Sequence[Plane],
    decision: Decision,
    weights: tuple[float, float, float],
    *,
    source: Wanted,
    wanted: Wanted,
) -> Outcome:
    """Planes times the gain of each pixel's tone.

    Args:
        planes: R, G and B, or one luminance plane.
        decision: Stages that are each one gain for all channels.
        weights: Luminance weights of the planes' own space.
        source: Type of the planes: half or float.
        wanted: Type of the result: half or float.
    """
    shape = planes[0].shape
    flat = [np.ascontiguousarray(plane).reshape(-1) for plane in planes]
    results = [np.empty(plane.shape, wanted.dtype) for plane in flat]
    outcome = Outcome([result.reshape(shape) for result in results], [0] * len(planes))
    if len(planes) == 1:
        weights = (1.0, 0.0, 0.0)
    for start in range(0, flat[0].size, CHUNK):
        part = slice(start, start + CHUNK)
        values = [_loaded(plane[part], source) for plane in flat]
        masks = _nonfinite([plane[part] for plane in flat], values, source, outcome)
        luminance = values[0] * np.float32(weights[0])
        for value, weight in zip(values[1:], weights[1:], strict=False):
            luminance += value * np.float32(weight)
        gain = decision.gain_of(luminance)
        for index, value in enumerate(values):
            value *= gain
            mask = masks[index]
            if mask is not None:
                value[mask] = np.nan
            store(value, results[index][part], wanted, outcome, mask)
            if mask is not None:
                results[index][part][mask] = flat[index][part][mask]
    return outcome


def _loaded(plane: Plane, source: Wanted) -> Floats:
    values = np.empty(plane.shape, np.float32)
    load(plane, source, values)
    return values


def _nonfinite(
    planes: Sequence[Plane], values: Sequence[Floats], source: Wanted, outcome: Outcome
) -> list[npt.NDArray[np.bool_] | None]:
    """Samples that are no number, set to 0 so that they do not poison their neighbours."""
    masks: list[npt.NDArray[np.bool_] | None] = []
    for index, (plane, value) in enumerate(zip(planes, values, strict=True)):
        clipped, nonfinite = look(plane, source)
        outcome.clipped[index] += clipped
        outcome.nonfinite += nonfinite
        mask = None
        if nonfinite:
            mask = ~np.isfinite(value)
            value[mask] = 0.0
        masks.append(mask)
    return masks

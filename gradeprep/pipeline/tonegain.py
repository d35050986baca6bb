"""A lift, and any plain gains, plane by plane: each pixel's gain depends on its luminance alone.

In linear light luminance is a weighted sum whatever the primaries are, and one gain for all three
channels commutes with every matrix between them. So a curve before the light is a look-up, other
primaries behind it are three sums, nothing is interleaved, and each sample is rounded once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from gradeprep.conversions import ToLinear
from gradeprep.model.frame import Plane, top_code
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.samples import CHUNK, Mask, Outcome, Wanted, load, look, store

__all__ = ["tone_gain"]

Floats = npt.NDArray[np.float32]


def tone_gain(
    planes: Sequence[Plane],
    decision: Decision,
    weights: tuple[float, float, float],
    path: ToLinear | None,
    *,
    source: Wanted,
    wanted: Wanted,
) -> Outcome:
    """Planes times the gain of each pixel's tone.

    Args:
        planes: R, G and B, or one luminance plane.
        decision: Stages that are each one gain for all channels.
        weights: Luminance weights of the planes' own linear primaries.
        path: From the planes' values to the result's linear space; None where they are that.
        source: Type of the planes; float only where they are linear.
        wanted: Type of the result: half or float.
    """
    shape = planes[0].shape
    flat = [np.ascontiguousarray(plane).reshape(-1) for plane in planes]
    results = [np.empty(plane.shape, wanted.dtype) for plane in flat]
    outcome = Outcome([result.reshape(shape) for result in results], [0] * len(planes))
    tables = _tables(path, source, len(planes))
    matrix = _matrix(path, len(planes))
    for start in range(0, flat[0].size, CHUNK):
        part = slice(start, start + CHUNK)
        parts = [plane[part] for plane in flat]
        values = [_linear(piece, source, table) for piece, table in zip(parts, tables, strict=True)]
        masks = _nonfinite(parts, values, source, outcome)
        gain = decision.gain_of(_sum(values, weights if len(values) == 3 else (1.0,)))
        for index, mask in enumerate(masks):
            value = values[index] if matrix is None else _sum(values, matrix[index])
            value = np.multiply(value, gain, out=None if matrix is None else value)
            if mask is not None:
                value[mask] = np.nan
            store(value, results[index][part], wanted, outcome, mask)
            if mask is not None:
                results[index][part][mask] = parts[index][mask]
    return outcome


def _tables(path: ToLinear | None, source: Wanted, count: int) -> list[Floats | None]:
    """Light of every code, a table a channel, where a curve stands before the light."""
    if path is None or path.decode is None:
        return [None] * count
    top = 0xFFFF if source.bits is None else top_code(source.bits)
    codes = np.arange(top + 1, dtype=np.uint16)
    every = codes.view(np.float16) if source.bits is None else codes.astype(source.dtype)
    rgb = np.empty((1, codes.size, 3), np.float32)
    for channel in range(3):
        load(every[None, :], source, rgb[..., channel])
    rgb[~np.isfinite(rgb)] = 0.0
    path.decode(rgb)
    channels = range(3) if count == 3 else (1,)
    return [np.ascontiguousarray(rgb[0, :, channel]) for channel in channels]


def _matrix(path: ToLinear | None, count: int) -> list[tuple[float, ...]] | None:
    """Rows of the matrix; None where it changes nothing, as on a neutral."""
    if path is None or count == 1 or np.array_equal(path.matrix, np.eye(3)):
        return None
    return [tuple(float(value) for value in row) for row in path.matrix]


def _linear(plane: Plane, source: Wanted, table: Floats | None) -> Floats:
    values = np.empty(plane.shape, np.float32)
    if table is None:
        load(plane, source, values)
    else:
        codes = plane.view(np.uint16) if plane.dtype == np.float16 else plane
        np.take(table, codes, out=values, mode="clip")
    return values


def _sum(values: Sequence[Floats], weights: Sequence[float]) -> Floats:
    total = values[0] * np.float32(weights[0])
    for value, weight in zip(values[1:], weights[1:], strict=True):
        total += value * np.float32(weight)
    return np.asarray(total, np.float32)


def _nonfinite(
    planes: Sequence[Plane], values: Sequence[Floats], source: Wanted, outcome: Outcome
) -> list[Mask]:
    """Samples that are no number, set to 0 so that they do not poison their neighbours."""
    masks: list[Mask] = []
    for index, (plane, value) in enumerate(zip(planes, values, strict=True)):
        clipped, nonfinite = look(plane, source)
        outcome.clipped[index] += clipped
        outcome.nonfinite += nonfinite
        mask = None
        if nonfinite:
            mask = ~np.isfinite(plane)
            value[mask] = 0.0
        masks.append(mask)
    return masks

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
from gradeprep.model.frame import Plane
from gradeprep.model.pixeltypes import top_code
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.samples import CHUNK, Mask, Outcome, Wanted, load, look, place, store

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
    shape, count = planes[0].shape, len(planes)
    flat = [np.ascontiguousarray(plane).reshape(-1) for plane in planes]
    results = [place(plane, wanted) for plane in flat]
    outcome = Outcome([result.reshape(shape) for result in results], [0] * count)
    tables, matrix = _tables(path, source, count), _matrix(path, count)
    for start in range(0, flat[0].size, CHUNK):
        part = slice(start, start + CHUNK)
        stack = np.stack([plane[part] for plane in flat])
        values = _linear(stack, source, tables)
        mask = _nonfinite(stack, values, source, outcome)
        gain = decision.gain_of(_sum(values, weights if count == 3 else (1.0,)))
        if matrix is not None:
            values = np.stack([_sum(values, row) for row in matrix])
        values *= gain
        if mask is not None:
            values[mask] = np.nan
        stored = np.empty(stack.shape, wanted.dtype)
        store(values, stored, wanted, outcome, mask)
        if mask is not None:
            stored[mask] = stack[mask]
        for result, row in zip(results, stored, strict=True):
            result[part] = row
    return outcome


def _tables(path: ToLinear | None, source: Wanted, count: int) -> list[Floats]:
    """Light of every code, a table a channel; none where no curve stands before the light."""
    if path is None or path.decode is None:
        return []
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


def _linear(stack: Plane, source: Wanted, tables: Sequence[Floats]) -> Floats:
    """Light of a stack of samples, one row a channel."""
    values = np.empty(stack.shape, np.float32)
    if not tables:
        load(stack, source, values)
        return values
    codes = stack.view(np.uint16) if stack.dtype == np.float16 else stack
    for row, table, code in zip(values, tables, codes, strict=True):
        np.take(table, code, out=row, mode="clip")
    return values


def _sum(values: Floats, weights: Sequence[float]) -> Floats:
    total = values[0] * np.float32(weights[0])
    for value, weight in zip(values[1:], weights[1:], strict=True):
        total += value * np.float32(weight)
    return np.asarray(total, np.float32)


def _nonfinite(stack: Plane, values: Floats, source: Wanted, outcome: Outcome) -> Mask:
    """Samples that are no number, set to 0 so that they do not poison their neighbours."""
    if look(stack, source) == (0, 0):
        return None
    nonfinite = 0
    for index, row in enumerate(stack):
        clipped, odd = look(row, source)
        outcome.clipped[index] += clipped
        nonfinite += odd
    if not nonfinite:
        return None
    outcome.nonfinite += nonfinite
    mask = ~np.isfinite(stack)
    values[mask] = 0.0
    return mask

"""A plain gain behind a log curve on integer codes: each code has one answer, so look it up.

The table is made by the very arithmetic it stands for, the curve alone around the gain, once for
every code; a frame is then read, looked up and written.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gradeprep.conversions import Convert
from gradeprep.model.frame import Plane
from gradeprep.model.pixeltypes import top_code
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.light import through
from gradeprep.pipeline.samples import CHUNK, Outcome, Wanted, load, place, store

__all__ = ["code_table"]


def code_table(
    planes: Sequence[Plane],
    decision: Decision,
    *,
    source: Wanted,
    decode: Convert | None,
    encode: Convert | None,
) -> Outcome:
    """Codes by look-up, three planes or one; the result is of the same type."""
    assert source.bits is not None
    top = top_code(source.bits)
    codes = np.arange(top + 1, dtype=source.dtype)[None, :]
    rgb = np.empty((1, codes.size, 3), np.float32)
    for channel in range(3):
        load(codes, source, rgb[..., channel])
    rgb = through(rgb, decision, decode, encode)
    outcome = Outcome([], [])
    for index, plane in enumerate(planes):
        values = rgb[..., index if len(planes) == 3 else 1]
        table = np.empty(codes.shape, source.dtype)
        store(values, table, source, Outcome([], []), None)
        ideal = np.rint(values[0].astype(np.float64) * top)
        beyond = ~((ideal >= 0) & (ideal <= top))
        _look_up(plane, table[0], beyond, top, outcome)
    return outcome


def _look_up(plane: Plane, table: Plane, beyond: Plane, top: int, outcome: Outcome) -> None:
    codes = np.ascontiguousarray(plane).reshape(-1)
    results = place(codes, Wanted(table.dtype))
    clipped = 0
    ends = np.flatnonzero(beyond)
    for start in range(0, codes.size, CHUNK):
        part = codes[start : start + CHUNK]
        if part.max() == top:
            clipped += int(np.count_nonzero(part == top))
        if ends.size and (part.min() <= ends[-1] and part.max() >= ends[0]):
            outcome.overflow += int(np.count_nonzero(np.take(beyond, part, mode="clip")))
        np.take(table, part, out=results[start : start + CHUNK], mode="clip")
    outcome.planes.append(results.reshape(plane.shape))
    outcome.clipped.append(clipped)

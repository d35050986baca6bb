"""The full way: code to scene-linear float32, all stages, and back, in row chunks.

Also for a gain behind a log curve, with the curve alone as decoding and encoding.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from gradeprep.conversions import Convert
from gradeprep.model.frame import Plane
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.samples import CHUNK, Outcome, Wanted, load, look, place, store

__all__ = ["light", "stored", "through"]

Bad = tuple[npt.NDArray[np.bool_], npt.NDArray[np.float32]]


def light(
    planes: Sequence[Plane],
    decision: Decision,
    *,
    source: Wanted,
    wanted: Wanted,
    decode: Convert | None,
    encode: Convert | None,
) -> Outcome:
    """Three planes as RGB, or one as a neutral, through everything; one rounding at the end."""
    height, width = planes[0].shape
    outcome = Outcome([place(plane, wanted) for plane in planes], [0] * len(planes))
    for rows in _rows(height, width):
        rgb = np.empty((rows.stop - rows.start, width, 3), np.float32)
        for channel in range(3):
            index = channel if len(planes) == 3 else 0
            load(planes[index][rows], source, rgb[..., channel])
        odd = 0
        for index, plane in enumerate(planes):
            clipped, nonfinite = look(plane[rows], source)
            outcome.clipped[index] += clipped
            odd += nonfinite
        bad = _take_nonfinite(rgb) if odd else None
        before = [plane[rows].copy() for plane in planes] if odd else []
        outcome.nonfinite += odd
        rgb = through(rgb, decision, decode, encode)
        if bad is not None:
            rgb[bad[0]] = bad[1]
        for index, plane in enumerate(outcome.planes):
            # a neutral stays neutral through every matrix here; green weighs most in it
            channel = index if len(planes) == 3 else 1
            mask = None if bad is None else bad[0][..., channel]
            store(rgb[..., channel], plane[rows], wanted, outcome, mask)
            if mask is not None and source == wanted:
                plane[rows][mask] = before[index][mask]  # bit for bit, NaN payloads too
    return outcome


def _rows(height: int, width: int) -> Iterator[slice]:
    step = max(1, CHUNK // max(1, width))
    for start in range(0, height, step):
        yield slice(start, min(height, start + step))


def _take_nonfinite(rgb: npt.NDArray[np.float32]) -> Bad:
    """Replace non-finite samples by 0 and keep them: a colour engine makes blacks of NaN."""
    bad = ~np.isfinite(rgb)
    kept = rgb[bad]
    rgb[bad] = 0.0
    return bad, kept


def through(
    rgb: npt.NDArray[np.float32],
    decision: Decision,
    decode: Convert | None,
    encode: Convert | None,
) -> npt.NDArray[np.float32]:
    """Finite float32 pixels from the source's encoding to the result's."""
    if decode is not None:
        decode(rgb)
    rgb = decision.apply(rgb)
    if encode is not None:
        rgb = np.ascontiguousarray(rgb)
        encode(rgb)
    return rgb


@np.errstate(over="ignore", under="ignore", invalid="ignore")
def stored(
    rgb: npt.NDArray[np.float32], wanted: Wanted, *, encode: Convert | None, decode: Convert | None
) -> npt.NDArray[np.float32]:
    """Pixels of the working space as a reader of the result decodes them.

    Args:
        rgb: float32 H x W x 3, in the working space; may be reused.
        wanted: Type of the result.
        encode: Conversion from the working space to the result's space.
        decode: Conversion back.
    """
    if encode is not None:
        encode(rgb)
    outcome = Outcome([], [])
    for channel in range(3):
        plane = np.empty(rgb.shape[:2], wanted.dtype)
        store(rgb[..., channel], plane, wanted, outcome, None)
        load(plane, wanted, rgb[..., channel])
    if decode is not None:
        decode(rgb)
    return rgb

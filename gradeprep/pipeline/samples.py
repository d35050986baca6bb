"""Samples in and out of float32: what kernels share, and what they count on the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.frame import Plane
from gradeprep.model.pixeltypes import top_code
from gradeprep.pipeline.halves import narrow, widen

__all__ = [
    "CHUNK",
    "HALF_MAX",
    "TINY",
    "Mask",
    "Outcome",
    "Wanted",
    "load",
    "look",
    "place",
    "store",
]

CHUNK = 65_536
"""Samples a chunk: it and its table stay in a core's cache."""

TINY = {np.dtype(np.float16): 2.0**-14, np.dtype(np.float32): 2.0**-126}
"""Smallest normal number of a type (IEEE 754-2019)."""

HALF_MAX = 0x7BFF
"""Code of 65504, the largest finite half."""

_NEGATIVE_INFINITE = 0xFC00

Mask = npt.NDArray[np.bool_] | None
"""Samples that were not finite in the source; None where all were."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """The type of the result: a numpy dtype, and the code depth where it is an integer."""

    dtype: np.dtype[np.generic]
    bits: int | None = None


@dataclass(slots=True)
class Outcome:
    """New planes, and samples that did not pass as plain numbers."""

    planes: list[Plane]
    clipped: list[int]
    nonfinite: int = 0
    overflow: int = 0
    underflow: int = 0


def place(plane: Plane, wanted: Wanted) -> Plane:
    """Where a plane's result goes: into its own memory where samples are of the same size.

    A frame then costs its memory once, and no fresh pages are asked for and cleared.
    """
    if plane.itemsize == wanted.dtype.itemsize and plane.flags.writeable:
        return plane.view(wanted.dtype)
    return np.empty(plane.shape, wanted.dtype)


def look(plane: Plane, source: Wanted) -> tuple[int, int]:
    """Samples at the type's largest value, and non-finite samples."""
    if source.bits is not None:
        top = top_code(source.bits)
        return (int(np.count_nonzero(plane == top)) if plane.max() == top else 0), 0
    if plane.dtype == np.float16:
        return _look_at_halves(np.ascontiguousarray(plane).view(np.uint16))
    if plane.dtype == np.float32:
        return 0, int(plane.size - np.count_nonzero(np.isfinite(plane)))
    return 0, 0


def _look_at_halves(codes: npt.NDArray[np.uint16]) -> tuple[int, int]:
    """Two reductions show that nothing is there, as is nearly always the case."""
    if codes.view(np.int16).max() < HALF_MAX and codes.max() < _NEGATIVE_INFINITE:
        return 0, 0
    clipped = int(np.count_nonzero(codes == HALF_MAX))
    return clipped, int(np.count_nonzero((codes & np.uint16(0x7FFF)) > HALF_MAX))


def load(plane: Plane, source: Wanted, into: npt.NDArray[np.float32]) -> None:
    """Codes as a share of the largest one, halves by look-up, floats as they are."""
    if source.bits is not None:
        np.divide(plane, np.float32(top_code(source.bits)), out=into, casting="unsafe")
    elif plane.dtype == np.float16 and into.flags.c_contiguous:
        widen(np.ascontiguousarray(plane), into)
    elif plane.dtype == np.float16:
        wide = np.empty(plane.shape, np.float32)
        widen(np.ascontiguousarray(plane), wide)
        into[...] = wide
    else:
        into[...] = plane


def store(
    values: npt.NDArray[np.float32], into: Plane, wanted: Wanted, outcome: Outcome, bad: Mask
) -> None:
    """Round float32 to the result's type, once, and count what did not fit.

    Args:
        values: What to store; of the shape of ``into``.
        into: Part of the result's plane.
        wanted: The result's type.
        outcome: Where overflow and underflow are added.
        bad: Samples that the source brought in not finite; they overflow nothing.
    """
    if wanted.bits is not None:
        _store_code(values, into, wanted.bits, outcome, bad)
    elif into.dtype == np.float16:
        _store_half(values, into, outcome, bad)
    else:
        _store_float(values, into, outcome, bad)


def _store_half(values: npt.NDArray[np.float32], into: Plane, outcome: Outcome, bad: Mask) -> None:
    halves = np.ascontiguousarray(into).reshape(-1)
    overflow, underflow, odd = narrow(np.ascontiguousarray(values).reshape(-1), halves)
    if not np.shares_memory(halves, into):
        into[...] = halves.reshape(into.shape)
    known = 0 if bad is None else int(np.count_nonzero(bad))
    outcome.overflow += overflow + max(0, odd - known)
    outcome.underflow += underflow


def _store_float(values: npt.NDArray[np.float32], into: Plane, outcome: Outcome, bad: Mask) -> None:
    into[...] = values
    outcome.overflow += _samples(~np.isfinite(into), bad)


def _samples(found: npt.NDArray[np.bool_], bad: Mask) -> int:
    """How many were found, those set aside that the source brought in not finite."""
    return int(np.count_nonzero(found if bad is None else found & ~bad))


def _store_code(
    values: npt.NDArray[np.float32], into: Plane, bits: int, outcome: Outcome, bad: Mask
) -> None:
    """Nearest code (ties to even); what is beyond the code range is clamped and counted."""
    top = top_code(bits)
    codes = np.rint(values.astype(np.float64) * top)
    if not (codes.min() >= 0 and codes.max() <= top):
        beyond = ~((codes >= 0) & (codes <= top))
        outcome.overflow += _samples(beyond, bad)
        np.clip(np.nan_to_num(codes, nan=0.0, posinf=top, neginf=0.0), 0, top, out=codes)
    into[...] = codes

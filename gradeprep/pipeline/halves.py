"""Half floats, exactly and fast: numpy's own casts are right, but most of a lift's time.

A half is widened by looking it up. A float32 is rounded with integers: add half a unit in the
last place, one less where the last kept bit is even, and cut (round to nearest, ties to even;
IEEE 754-2019, 4.3.1). That holds where both sides are normal numbers; the few samples that are
not (zero, subnormal, beyond 65504, no number) are left to numpy's cast.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

__all__ = ["narrow", "widen"]

_TINY = np.uint32(0x38800000)
"""Bits of 2**-14, the smallest normal half, as a float32."""

_HUGE = np.uint32(0x477FF000)
"""Bits of 65520, the smallest float32 that rounds to an infinite half."""

_MAGNITUDE = np.uint32(0x7FFFFFFF)
_REBIAS = np.uint32((0xFFF - (112 << 23)) & 0xFFFFFFFF)
"""Half a unit less one, and the exponent's bias from 127 to 15, in one addition."""

_INFINITE = np.uint32(0x7F800000)
_SIGN = np.uint32(0x8000)

Floats = npt.NDArray[np.float32]
Halves = npt.NDArray[np.float16]


@lru_cache(maxsize=1)
def _values() -> Floats:
    return np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)


def widen(halves: Halves, out: Floats) -> None:
    """Halves as float32; both of one shape, ``halves`` C-contiguous."""
    # mode="clip" skips numpy's bounds check, which costs six times the look-up itself
    np.take(_values(), halves.view(np.uint16), out=out, mode="clip")


def narrow(values: Floats, out: Halves) -> tuple[int, int, int]:
    """Float32 rounded to halves, each once, to nearest with ties to even.

    Args:
        values: One-dimensional, C-contiguous.
        out: Where the halves go; of the same length.

    Returns:
        Finite samples that became infinite; samples that underflowed: below the normal range
        before rounding, and inexact (IEEE 754-2019, 7.5); and samples that were not finite.
    """
    bits = values.view(np.uint32)
    most = bits.max()
    magnitude, signs = bits, None
    if most > _MAGNITUDE:
        signs = bits >> np.uint32(16)
        signs &= _SIGN
        magnitude = bits & _MAGNITUDE
        most = magnitude.max()
    rounded = magnitude >> np.uint32(13)
    rounded &= np.uint32(1)
    rounded += magnitude
    rounded += _REBIAS
    rounded >>= np.uint32(13)
    if signs is not None:
        rounded |= signs
    out.view(np.uint16)[...] = rounded
    if magnitude.min() >= _TINY and most < _HUGE:
        return 0, 0, 0
    return _leave_to_numpy(values, magnitude, out)


def _leave_to_numpy(
    values: Floats, magnitude: npt.NDArray[np.uint32], out: Halves
) -> tuple[int, int, int]:
    """The samples that are no normal half, one by one."""
    few = np.flatnonzero((magnitude < _TINY) | (magnitude >= _HUGE))
    odd, sizes = values[few], magnitude[few]
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        halves = odd.astype(np.float16)
        back = halves.astype(np.float32)
    out[few] = halves
    overflow = np.count_nonzero((sizes >= _HUGE) & (sizes < _INFINITE))
    underflow = np.count_nonzero((sizes < _TINY) & (back != odd))
    odd_ones = np.count_nonzero(sizes >= _INFINITE)
    return int(overflow), int(underflow), int(odd_ones)

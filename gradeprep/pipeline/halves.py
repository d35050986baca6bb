"""Half floats, exactly and fast: numpy's own casts are right, but most of a lift's time.

A half is widened by moving its fraction and its exponent to a float32's places. A float32 is
rounded with integers: add half a unit in the last place, one less where the last kept bit is
even, and cut (round to nearest, ties to even; IEEE 754-2019, 4.3.1). That holds where both sides
are normal numbers; the few samples that are not (zero, subnormal, beyond 65504, no number) are
looked up or left to numpy's cast.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

__all__ = ["narrow", "widen"]

_FRACTION = np.int32(13)
"""Bits of fraction that a float32 has more."""

_SIGN_AND_HALF = np.int32(0x8FFFE000 - (1 << 32))
"""Of a half's 16 bits, their sign extended, moved by that: the sign, exponent and fraction."""

_BIAS = np.int32(112 << 23)
"""The exponent's bias from 15 to 127."""

_HALF_MAGNITUDE = np.uint16(0x7FFF)
_FIRST_NORMAL = np.uint16(0x0400)
_NORMALS = np.uint16(0x7800)
"""How many magnitudes of halves are normal numbers."""

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
    """Halves as float32, exactly; both C-contiguous and of one shape."""
    codes, values = halves.reshape(-1).view(np.uint16), out.reshape(-1)
    bits = values.view(np.int32)
    np.left_shift(codes.view(np.int16), _FRACTION, out=bits, dtype=np.int32)
    bits &= _SIGN_AND_HALF
    bits += _BIAS
    above = codes & _HALF_MAGNITUDE
    above -= _FIRST_NORMAL  # what is smaller turns large
    if above.max() < _NORMALS:
        return
    few = np.flatnonzero(above >= _NORMALS)
    values[few] = _values()[codes[few]]


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

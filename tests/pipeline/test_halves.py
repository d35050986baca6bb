"""Widening and rounding of halves against numpy's own casts (IEEE 754-2019)."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from gradeprep.pipeline.halves import narrow, widen

ALL = np.arange(65536, dtype=np.uint16).view(np.float16)


def same(one: np.ndarray, other: np.ndarray) -> bool:
    nan = np.isnan(one) & np.isnan(other)
    return bool(np.all((one.view(np.uint16) == other.view(np.uint16)) | nan))


def cast(values: np.ndarray) -> np.ndarray:
    with np.errstate(all="ignore"):
        return values.astype(np.float16)


def test_every_half_is_widened() -> None:
    for halves in (ALL, ALL.reshape(256, 256), ALL[0x400:0x7C00], ALL[::-1].copy()):
        wide = np.empty(halves.shape, np.float32)
        widen(halves, wide)
        assert np.array_equal(wide, halves.astype(np.float32), equal_nan=True)
        zero = wide == 0.0
        assert np.array_equal(np.signbit(wide)[zero], np.signbit(halves)[zero])


def test_every_half_and_its_neighbours_are_rounded() -> None:
    """Each half, half way to the next, and a float32 step to either side of both."""
    finite = np.unique(ALL[np.isfinite(ALL)].astype(np.float32))
    middle = (finite[1:] + finite[:-1]) / np.float32(2.0)
    ends = np.array([-65520.0, 65520.0, -65519.0, 65519.0, 1e9], np.float32)
    points = np.concatenate([finite, middle, ends])
    beside = [np.nextafter(points, np.float32(way)) for way in (-1e30, 1e30)]
    for values in (points, *beside):
        halves = np.empty(values.shape, np.float16)
        narrow(values, halves)
        assert same(halves, cast(values))


@given(arrays.arrays(np.uint32, st.integers(1, 64)))
def test_any_bits_are_rounded_and_counted(bits: np.ndarray) -> None:
    values = bits.view(np.float32)
    halves = np.empty(values.shape, np.float16)
    overflow, underflow, odd = narrow(values, halves)
    wanted = cast(values)
    assert same(halves, wanted)
    finite = np.isfinite(values)
    assert odd == np.count_nonzero(~finite)
    assert overflow == np.count_nonzero(finite & np.isinf(wanted))
    tiny = finite & (np.abs(values) < np.float32(2.0**-14))
    assert underflow == np.count_nonzero(tiny & (wanted.astype(np.float32) != values))


def test_an_overflow_is_found_among_negative_normal_numbers() -> None:
    values = np.asarray([-1.0, 1e6, -2.0], np.float32)
    halves = np.empty(3, np.float16)
    assert narrow(values, halves) == (1, 0, 0)
    assert halves.tolist() == [-1.0, np.inf, -2.0]

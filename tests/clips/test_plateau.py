"""Piles at the top of a channel's values, by themselves."""

from __future__ import annotations

import numpy as np
import pytest
from fakeview import LINEAR

from gradeprep.clips.plateau import Band, Bins, Surroundings, band, convincing

CODES = Bins(1.0 / 1023.0)
FLOATS = Bins(0.0)


def counts(*top):
    """Values 600 and up of a picture with a long even tail below."""
    return np.array([0] * 500 + [40] * 100 + list(top), np.int64)


def test_every_half_has_a_bin_of_its_own():
    halves = np.arange(0x0400, 0x7C00, dtype=np.uint16).view(np.float16).astype(np.float32)
    index = FLOATS.index(halves)
    assert (np.diff(index) == 1).all()
    assert np.array_equal(FLOATS.value(index), halves)


def test_darkness_and_less_share_the_first_bin():
    dark = np.array([0.0, -0.0, -3.0], np.float32)
    assert FLOATS.index(dark).tolist() == CODES.index(dark).tolist() == [0, 0, 0]


@pytest.mark.parametrize(
    ("top", "low"),
    [
        ((40, 40, 400), 602),  # cut off
        ((40, 40, 400, 3, 1), 602),  # cut off, with a little ringing above
        ((40, 40, 60), None),  # no more than the tail lets expect
        ((30, 20, 10, 5, 2, 1), None),  # runs out
        ((60, 120, 200, 240, 200, 120, 60, 20, 5, 1), None),  # a lit patch: a tail above
        ((), None),  # ends
    ],
)
def test_a_pile_stands_over_its_tail(top, low):
    found = band(counts(*top), CODES, LINEAR, least=8)
    assert (found and found.low) == low


def test_too_few_pixels_are_no_pile():
    lone = np.array([0] * 900 + [7], np.int64)
    assert band(lone, CODES, LINEAR, least=8) is None
    assert band(lone, CODES, LINEAR, least=7) is not None


@pytest.mark.parametrize(
    ("under", "noise", "strays", "pile", "expected"),
    [
        (0.05, 0.4, 9000, 2.1, True),  # light runs into it
        (0.05, 0.0, 9000, 2.1, False),  # it may do so at a smooth top without noise
        (0.05, 0.0, 9000, 4.1, True),
        (5.0, 0.4, 500, 50.0, True),  # 2113 of 10,000 would stray by a noise of 0.4 bins
        (5.0, 0.4, 1500, 50.0, False),  # as a card whose noise is a little lower would
        (5.0, 0.0, 0, 50.0, False),  # drawn
    ],
)
def test_what_stands_around_decides(under, noise, strays, pile, expected):
    seen = [Surroundings(under, noise, 10_000, strays)]
    assert convincing(Band(900, 1, pile, False), seen, CODES) is expected


def test_a_wide_band_needs_quiet():
    seen = [Surroundings(0.05, 0.4, 10_000, 9000)]
    assert not convincing(Band(900, 2, 50.0, True), seen, CODES)

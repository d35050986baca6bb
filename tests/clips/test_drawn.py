"""Gradients without noise, which tell a drawn picture from a sensor's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.clips.drawn import smooth_share

Y, X = np.mgrid[:64, :96]


def steps(picture):
    return np.rint(picture).astype(np.int32)


@pytest.mark.parametrize("slope", [2.0, 3.3, 40.0])
@pytest.mark.parametrize("along", [X, Y, X + Y])
def test_a_drawn_gradient_is_smooth(along, slope):
    assert smooth_share(steps(100 + slope * along)) > (0.9 if along is not X + Y else 0.8)


@given(seed=st.integers(0, 2**32 - 1), noise=st.floats(2.0, 30.0))
def test_a_noisy_gradient_is_not(seed, noise):
    picture = np.random.default_rng(seed).normal(1000 + 3.0 * X, noise)
    assert smooth_share(steps(picture)) < 0.01


@pytest.mark.parametrize("demosaiced", [False, True])
def test_a_noisy_gradient_whose_neighbours_are_tied_is_not(demosaiced):
    picture = np.random.default_rng(5).normal(1000 + 3.0 * X, 4.0)
    if demosaiced:
        mean = (np.roll(picture, 1, 1) + np.roll(picture, -1, 1)) / 2
        picture = np.where((X + Y) % 2 == 1, mean, picture)
    assert smooth_share(steps(picture)) < 0.01


def test_flat_areas_are_no_evidence():
    """What clipped is flat, too."""
    picture = np.full((64, 96), 50)
    picture[:, 48:] = 90
    picture[:8] = 95
    assert smooth_share(steps(picture)) == 0.0


def test_dark_and_brightest_blocks_are_left_out():
    picture = 100 + 3.0 * X
    picture[:32] = np.random.default_rng(6).normal(1000, 20.0, (32, 96))
    half = smooth_share(steps(picture))
    assert 0.4 < half < 0.6
    picture[0:32, 0:48] = 0
    picture[0:32, 48:] = 5000
    assert smooth_share(steps(picture)) == 1.0


@pytest.mark.parametrize("size", [(0, 0), (7, 96), (8, 8), (64, 96)])
def test_pictures_that_tell_nothing(size):
    assert smooth_share(np.zeros(size, np.int32)) == 0.0

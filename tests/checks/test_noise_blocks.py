"""Noise of blocks: by Immerkaer's high-pass, and by the difference of frames that hold still."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gradeprep.checks.blocks import BLOCK, high_pass, immerkaer, still, tiles

SIGMA = 0.01
SHAPE = (320, 480)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
FLAT = np.full(SHAPE, 0.18)


def waves(shift=0.0):
    return 0.18 + 0.1 * np.sin(0.4 * (X + shift)) * np.sin(0.4 * Y)


def noisy(picture, seed, sigma=SIGMA, tie=0):
    """Gaussian noise of a known sigma; ``tie`` times smoothed over neighbours, kept at sigma."""
    noise = np.random.default_rng(seed).standard_normal(SHAPE)
    for axis in (0, 1) * tie:
        noise = np.roll(noise, 1, axis) + 2.0 * noise + np.roll(noise, -1, axis)
    return (picture + noise * (sigma / noise.std())).astype(np.float32)


def every(plane):
    return np.ones(tiles(plane).shape[0], bool)


def sigma_of(blocks):
    return float(np.sqrt(np.median(blocks.variance)))


def test_published_example():
    # the kernel [1 -2 1; -2 4 -2; 1 -2 1] answers 16 (Immerkaer 1996)
    picture = np.array([[1.0, 2.0, 3.0], [4.0, 9.0, 6.0], [7.0, 8.0, 9.0]])
    assert immerkaer(picture) == pytest.approx(3.342171033, abs=1e-9)


@pytest.mark.parametrize("picture", [FLAT, 0.18 + 0.5 * X / 479, waves()])
def test_high_pass_finds_noise_on_flat_ramp_and_texture(picture):
    # plain standard deviation on the same: 0.010, 0.145, 0.051
    plane = noisy(picture, 9)
    assert immerkaer(plane) == pytest.approx(SIGMA, rel=0.02)
    assert sigma_of(high_pass(plane, every(plane))) == pytest.approx(SIGMA, rel=0.03)


@given(
    arrays(np.int64, (6, 7), elements=st.integers(-1000, 1000)),
    st.integers(-50, 50),
    st.integers(-50, 50),
    st.integers(-8, 8),
)
def test_high_pass_does_not_answer_to_gradients(values, across, down, factor):
    y, x = np.mgrid[:6, :7]
    tilted = (factor * values + across * x + down * y).astype(np.float64)
    assert immerkaer(tilted) == pytest.approx(abs(factor) * immerkaer(values.astype(float)))


@pytest.mark.parametrize("picture", [FLAT, 0.18 + 0.5 * X / 479, waves()])
@pytest.mark.parametrize("drift", [1.0, 1.25, 0.8])
def test_difference_finds_noise_whatever_the_picture_and_the_drift(picture, drift):
    first, second = noisy(picture, 1), noisy(picture * drift, 2)
    found = still(first, second, every(first))
    assert found.level.size > 0.98 * tiles(first).shape[0]
    expected = SIGMA * np.sqrt(0.5 * (drift + 1.0 / drift))  # both frames at one exposure
    assert sigma_of(found) == pytest.approx(expected, rel=0.02)
    assert found.tied == pytest.approx(1.0, abs=0.2)


def test_moving_blocks_are_left_out():
    half = X >= 240
    first, second = noisy(waves(), 1), noisy(np.where(half, waves(3.0), waves()), 2)
    found = still(first, second, every(first))
    assert 0.4 < found.level.size / tiles(first).shape[0] < 0.55
    assert sigma_of(found) == pytest.approx(SIGMA, rel=0.02)


def test_a_picture_that_moves_as_a_whole_leaves_next_to_nothing():
    first, second = noisy(waves(), 1), noisy(waves(3.0), 2)
    assert still(first, second, every(first)).level.size < 0.02 * tiles(first).shape[0]


def test_noise_that_neighbours_share_is_found_by_difference_only():
    first, second = noisy(FLAT, 1, tie=1), noisy(FLAT, 2, tie=1)
    found = still(first, second, every(first))
    assert found.tied > 2.0
    assert found.level.size > 0.95 * tiles(first).shape[0]
    assert sigma_of(found) == pytest.approx(SIGMA, rel=0.03)
    assert sigma_of(high_pass(first, every(first))) < 0.3 * SIGMA


def test_a_held_frame_says_nothing():
    first = noisy(FLAT, 1)
    assert still(first, first.copy(), every(first)) is None


def test_a_black_picture_has_no_blocks():
    black = np.zeros(SHAPE, np.float32)
    assert still(black, black, every(black)).level.size == 0
    assert high_pass(black, every(black)).level.size == 0


def test_only_usable_blocks_are_looked_at():
    first, second = noisy(FLAT, 1), noisy(FLAT, 2)
    usable = every(first)
    usable[10:] = False
    assert high_pass(first, usable).level.size == 10
    assert still(first, second, usable).level.size <= 10


@given(st.integers(0, 30), st.integers(0, 30))
def test_tiles_are_whole_blocks_inside_the_border(rows, columns):
    plane = np.arange(rows * columns).reshape(rows, columns)
    found = tiles(plane)
    expected = (max(0, rows - 2) // BLOCK) * (max(0, columns - 2) // BLOCK)
    assert found.shape == (expected, BLOCK, BLOCK)
    if expected:
        assert (found[0] == plane[1 : BLOCK + 1, 1 : BLOCK + 1]).all()

"""The average meter: published examples, and what it says of itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import FakeView
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gradeprep.demo.scenes import SHOTS, shoot
from gradeprep.meters.average import Average, AverageParams
from gradeprep.plugins.contracts import Meter

QUAY = SHOTS[2]


def row(*luminances: float) -> np.ndarray:
    return np.repeat(np.asarray(luminances, np.float32)[None, :, None], 3, axis=2)


def read(*pictures: np.ndarray, **params):
    return Average().read(FakeView(dict(enumerate(pictures, 1))), AverageParams(**params))


def test_it_keeps_the_contract():
    assert isinstance(Average(), Meter)


def test_a_worked_example():
    """exp(mean(log L)) of seven tones with a specular at 16 is 0.757715 stop over 0.18."""
    reading = read(row(0.02, 0.09, 0.18, 0.18, 0.36, 0.72, 16.0))
    assert reading.stops == pytest.approx(-0.757715, abs=1e-6)
    assert reading.evidence["frames"][0]["log_average"] == pytest.approx(0.304345931, rel=1e-6)


@given(st.floats(-8.0, 8.0), st.floats(0.01, 1.0))
def test_it_moves_with_the_plate_and_the_key(hot, key):
    tones = row(0.02, 0.09, 0.18, 0.36, 4.0)
    reading = read(tones * np.float32(2.0**hot), key=key)
    expected = read(tones).stops - hot + math.log2(key / 0.18)
    assert reading.stops == pytest.approx(expected, abs=1e-5)


def test_it_is_always_weak_and_says_so():
    picture = shoot(QUAY, QUAY.first, (96, 54), stops=1.5, seed=1)
    reading = read(picture)
    assert reading.weak
    assert reading.warnings[0].startswith("an average says what is in the picture as much as")
    assert reading.sigma > 0.1
    assert reading.balance is None


def test_what_has_no_logarithm_is_left_out_and_counted():
    reading = read(row(0.18, 0.0, -0.5, 0.18, 0.18, float("nan"), 0.18))
    assert reading.stops == pytest.approx(0.0, abs=1e-6)
    (frame,) = reading.evidence["frames"]
    assert (frame["pixels"], frame["left_out"]) == (7, 3)


def test_refuses_a_picture_without_light():
    with pytest.raises(ValueError, match="only 1 of 4 pixels have a luminance above zero"):
        read(row(0.18, 0.0, 0.0, 0.0))


def test_a_region_a_frame_and_a_drift():
    dark, light = row(*[0.09] * 20), row(*[0.36] * 20)
    both = np.concatenate([dark, light])
    assert read(both, region=(0, 1, 20, 1)).stops == pytest.approx(-1.0, abs=1e-6)
    assert read(dark, light, frame=2).stops == pytest.approx(-1.0, abs=1e-6)
    reading = read(dark, light)
    assert reading.stops == pytest.approx(0.0, abs=1e-6)
    assert "the exposure changes over the shot by 2.00 stops" in reading.warnings[1]
    with pytest.raises(ValueError, match="reaches out of the picture"):
        read(both, region=(0, 1, 21, 1))


def test_clipped_pixels_are_counted():
    picture = shoot(QUAY, QUAY.first, stops=6.0, seed=1)
    assert read(picture).evidence["frames"][0]["clipped"] > 100


def test_refuses_parameters():
    with pytest.raises(ValidationError):
        AverageParams(key=0.0)

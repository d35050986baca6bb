"""The meters: what they read from a picture whose exposure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import AP1_WEIGHTS as WEIGHTS
from fakeview import FakeView
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gradeprep.meters.grey_card import GreyCard, GreyCardParams
from gradeprep.meters.reference import Reference, ReferenceParams
from gradeprep.plugins.contracts import Meter

REGION = (0, 0, 8, 8)
GREY_CARD, REFERENCE = GreyCard(), Reference()


def flat(*rgb: float, size: int = 8) -> np.ndarray:
    return np.full((size, size, 3), rgb, np.float32)


def grey(stops: float) -> np.ndarray:
    return flat(*[0.18 * 2.0**stops] * 3)


def read(picture: np.ndarray, **params):
    height, width = picture.shape[:2]
    params = GreyCardParams(region=(0, 0, width, height), **params)
    return GREY_CARD.read(FakeView({1: picture}), params)


def test_they_keep_the_contract():
    assert isinstance(GREY_CARD, Meter)
    assert isinstance(REFERENCE, Meter)


@given(st.floats(-10.0, 10.0))
def test_a_grey_card_that_is_hot_asks_for_the_opposite(hot):
    reading = read(grey(hot))
    assert reading.stops == pytest.approx(-hot, abs=1e-6)
    assert reading.sigma == pytest.approx(0.0, abs=1e-6)
    assert reading.balance == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize(
    ("reflectance", "stops"),
    [(0.18, 0.0), (0.9, 2.3219), (0.19, 0.0780), (0.17, -0.0825), (1.0, 2.4739)],
)
def test_cards_of_other_reflectances(reflectance, stops):  # the sides of a grey card, log2
    assert read(grey(0.0), reflectance=reflectance).stops == pytest.approx(stops, abs=1e-4)


@given(st.tuples(*[st.floats(0.01, 10.0)] * 3))
def test_its_balance_makes_the_card_neutral_and_keeps_its_luminance(rgb):
    reading = read(flat(*rgb))
    balanced = np.asarray(rgb) * 2.0 ** np.asarray(reading.balance)
    np.testing.assert_allclose(balanced, np.dot(rgb, WEIGHTS), rtol=1e-6)
    assert reading.stops == pytest.approx(math.log2(0.18 / np.dot(rgb, WEIGHTS)), abs=1e-6)


def test_a_card_with_no_red_has_no_balance():
    assert read(flat(0.0, 0.2, 0.2)).balance is None


def test_a_speck_moves_nothing():
    picture = grey(3.0)
    picture[2, 2] = 1e6
    picture[5, 6] = -5.0
    assert read(picture).stops == pytest.approx(-3.0, abs=1e-6)


def test_it_reads_the_frame_that_is_named():
    view = FakeView({1001: grey(1.0), 1002: grey(2.0)})
    reading = GREY_CARD.read(view, GreyCardParams(region=REGION, frame=1002))
    assert reading.stops == pytest.approx(-2.0, abs=1e-6)


@pytest.mark.parametrize(
    ("picture", "complaint"),
    [
        (flat(0.2, 0.2, 0.2, size=3), "a region of 9 pixels is too small; give at least 16"),
        (flat(0.0, 0.0, 0.0), "the region's luminance is 0; it holds no light to read"),
        (flat(-0.1, -0.1, -0.1), "the region's luminance is -0.1; it holds no light to read"),
    ],
)
def test_it_gives_no_number_where_none_is_honest(picture, complaint):
    with pytest.raises(ValueError) as caught:
        read(picture)
    assert str(caught.value) == complaint


@pytest.mark.parametrize(
    "wrong",
    [{"reflectance": 0.0}, {"reflectance": 1.1}, {"max_gradient": 0.0}, {"card": "white"}],
)
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        GreyCardParams(region=REGION, **wrong)


@given(st.floats(-6.0, 6.0), st.floats(-6.0, 6.0), st.floats(-8.0, 0.0))
def test_a_reference_brings_the_surface_to_where_its_own_pull_does(hot, other_hot, pulled):
    other = FakeView({7: grey(other_hot)}, shot="first", stops=pulled)
    plate = FakeView({1: grey(hot)}, others={"first": other})
    reading = REFERENCE.read(plate, ReferenceParams(shot="first", region=REGION))
    assert hot + reading.stops == pytest.approx(other_hot + pulled, abs=1e-6)
    assert reading.balance == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


def test_a_references_balance_matches_colour_and_leaves_exposure():
    here, there = (0.4, 0.2, 0.1), (0.3, 0.3, 0.4)
    other = FakeView({1: flat(*there)}, shot="first", stops=-2.0)
    plate = FakeView({1: flat(*here)}, others={"first": other})
    reading = REFERENCE.read(plate, ReferenceParams(shot="first", region=REGION))
    matched = np.asarray(here) * 2.0 ** np.asarray(reading.balance)
    assert np.dot(matched, WEIGHTS) == pytest.approx(np.dot(here, WEIGHTS))
    np.testing.assert_allclose(matched * 2.0**reading.stops, np.asarray(there) / 4, rtol=1e-6)


def test_a_reference_may_be_read_elsewhere():
    moved = np.concatenate([flat(9.0, 9.0, 9.0), grey(-1.0)], axis=1)
    other = FakeView({3: moved[:, ::-1], 4: moved}, shot="first")
    plate = FakeView({1: grey(0.0), 2: grey(2.0)}, others={"first": other})
    params = ReferenceParams(
        shot="first", region=REGION, reference_region=(8, 0, 8, 8), frame=2, reference_frame=4
    )
    reading = REFERENCE.read(plate, params)
    assert reading.stops == pytest.approx(-3.0, abs=1e-6)


def test_a_shot_is_not_its_own_reference():
    with pytest.raises(ValueError, match="a shot cannot be its own reference"):
        REFERENCE.read(FakeView({1: grey(0)}), ReferenceParams(shot="here", region=REGION))

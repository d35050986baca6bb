"""The lift: its curve, what it keeps, what it refuses, and the way back."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from lightref import WEIGHTS, lifted
from pydantic import ValidationError

from gradeprep.plugins.contracts import Light, Stage
from gradeprep.stages.lift import MIN_SLOPE, Lift, LiftParams, smootherstep

LIFT = Lift()
HERE = Light(WEIGHTS, 0.0)


@st.composite
def curves(draw) -> dict[str, float]:
    """Any curve that a recipe may ask for, often one at the limit of steepness."""
    softness = draw(st.floats(0.05, 12.0))
    steepest = (1.0 - MIN_SLOPE) * softness / 1.875
    stops = draw(st.floats(-8.0, steepest * (1.0 - 1e-12)) | st.just(steepest * (1.0 - 1e-12)))
    return {"stops": stops, "below": draw(st.floats(-8.0, 2.0)), "softness": softness}


def greys(tones: np.ndarray) -> np.ndarray:
    """Neutral pixels, 1 x N x 3, of tones told in stops from grey."""
    return np.repeat(0.18 * 2.0 ** tones[None, :, None], 3, axis=-1).astype(np.float32)


def apply(rgb: np.ndarray, numbers: dict[str, float], to_come: float = 0.0) -> np.ndarray:
    return LIFT.apply(rgb.copy(), numbers, Light(WEIGHTS, to_come))


def test_keeps_the_contract():
    assert isinstance(LIFT, Stage)


@given(st.floats(-1.0, 2.0))
def test_the_step_is_the_published_polynomial(x):  # Perlin 2002, "Improving Noise"
    inside = min(max(x, 0.0), 1.0)
    published = 6 * inside**5 - 15 * inside**4 + 10 * inside**3
    assert float(smootherstep(np.asarray(x))) == pytest.approx(published, abs=1e-14)


def test_the_step_is_level_and_straight_at_both_ends_and_steepest_between():
    x = np.linspace(0.0, 1.0, 100_001)
    slope = np.gradient(smootherstep(x), x)
    bend = np.gradient(slope, x)
    assert smootherstep(np.asarray([0.0, 0.5, 1.0])).tolist() == [0.0, 0.5, 1.0]
    assert slope.max() == pytest.approx(1.875, abs=1e-8)  # 15/8, at x = 1/2
    assert np.abs(slope[[0, -1]]).max() < 1e-8
    assert np.abs(bend[[0, -1]]).max() < 1e-3


@given(curves())
@example({"stops": 1.0, "below": -3.0, "softness": 3.0})
def test_full_below_nothing_above_and_monotonic_between(numbers):
    stops, below, softness = numbers["stops"], numbers["below"], numbers["softness"]
    tones = np.linspace(below - softness - 4.0, below + 4.0, 800)
    rgb = greys(tones)
    gain = np.log2(apply(rgb, numbers).astype(np.float64) / rgb)[0]
    np.testing.assert_allclose(gain[tones < below - softness - 0.01], stops, atol=3e-6)
    assert np.all(gain[tones > below + 0.01] == 0.0)
    out = apply(rgb, numbers)[0, :, 1]
    assert np.all(np.diff(out) > 0.0)


@given(curves(), st.floats(-8.0, 4.0), st.integers(0, 2**32 - 1))
def test_is_the_curve_of_its_definition(numbers, to_come, seed):
    rng = np.random.default_rng(seed)
    rgb = (2.0 ** rng.uniform(-16, 5, (4, 16, 1)) * rng.normal(1.0, 0.5, (4, 16, 3))).astype("f4")
    expected = lifted(rgb, **numbers, to_come=to_come)
    # float32: a tone of up to 24 stops is known to 2e-6 stops, the curve's slope magnifies that
    steep = max(1.0, abs(numbers["stops"]) / numbers["softness"]) * 1.875
    luminance = rgb.astype(np.float64) @ np.asarray(WEIGHTS)
    clear = np.abs(luminance) > 1e-3 * np.abs(rgb).max(axis=-1)  # a sum that cancels has no tone
    got = apply(rgb, numbers, to_come)
    np.testing.assert_allclose(got[clear], expected[clear], rtol=1e-5 * steep)


@given(curves(), st.floats(-6.0, 2.0))
def test_hue_and_chromaticity_stay(numbers, tone):
    rgb = (np.asarray([[[0.9, 0.4, 0.1], [-0.1, 0.5, 0.3]]]) * 2.0**tone).astype(np.float32)
    gain = apply(rgb, numbers).astype(np.float64) / rgb
    np.testing.assert_allclose(gain, gain[..., :1] * np.ones(3), rtol=1.2e-7)


@given(curves())
def test_light_at_or_under_zero_gets_the_full_gain(numbers):
    rgb = np.asarray([[[0.0, 0.0, 0.0], [-1e-3, -2e-3, -3e-3], [0.5, -1.0, 0.0]]], np.float32)
    expected = rgb * np.float32(2.0 ** numbers["stops"])
    np.testing.assert_allclose(apply(rgb, numbers), expected, rtol=1e-5)


@given(curves(), st.floats(-6.0, 6.0))
def test_the_curve_stands_still_when_the_pull_moves(numbers, pull):
    """``below`` and ``softness`` are told on the normalized picture, after the pull."""
    tones = np.linspace(-8.0, 4.0, 97)
    hot = greys(tones - pull)
    normalized = apply(hot, numbers, to_come=pull) * np.float32(2.0**pull)
    again = apply(greys(tones), numbers)
    steep = max(1.0, abs(numbers["stops"]) / numbers["softness"]) * 1.875
    np.testing.assert_allclose(normalized, again, rtol=1e-5 * steep)


@given(curves(), st.floats(-6.0, 3.0), st.integers(0, 2**32 - 1))
def test_comes_back_within_the_bound_of_its_slope(numbers, to_come, seed):
    assume(abs(numbers["stops"]) <= 8.0)
    rng = np.random.default_rng(seed)
    rgb = (2.0 ** rng.uniform(-12, 5, (8, 16, 1)) * rng.uniform(0.05, 1.0, (8, 16, 3))).astype("f4")
    light = Light(WEIGHTS, to_come)
    back = LIFT.inverse(LIFT.apply(rgb.copy(), numbers, light), numbers, light)
    error = np.abs(back.astype(np.float64) / rgb - 1.0).max()
    # float32 on the way there and in the tone on the way back, magnified by 1/slope
    slope = LIFT.slope(numbers)
    steep = max(1.0, abs(numbers["stops"]) / numbers["softness"]) * 1.875
    assert error < 1e-5 * steep / slope
    assert np.isfinite(back).all()


def test_black_and_negative_light_come_back():
    rgb = np.asarray([[[0.0, 0.0, 0.0], [-1e-3, -2e-3, 1e-3], [3e38, 3e38, 3e38]]], np.float32)
    numbers = {"stops": 2.0, "below": -2.0, "softness": 5.0}
    back = LIFT.inverse(LIFT.apply(rgb.copy(), numbers, HERE), numbers, HERE)
    np.testing.assert_allclose(back, rgb, rtol=3e-7)


def test_finite_light_stays_finite():
    extremes = np.asarray([1e-45, -1e-45, 3.4e38, -3.4e38, 0.0, -0.0], np.float32)
    rgb = np.stack(np.meshgrid(extremes, extremes, extremes), axis=-1).reshape(1, -1, 3)
    numbers = {"stops": -1.0, "below": 0.0, "softness": 2.0}
    for weights in (WEIGHTS, (0.34, 0.73, -0.07)):  # AP0 has a negative weight
        with np.errstate(over="ignore"):
            out = LIFT.apply(rgb.copy(), numbers, Light(weights, -3.0))
        assert np.isfinite(out).all()


@pytest.mark.parametrize(
    ("asked", "complaint"),
    [
        (
            {"stops": 3.0, "softness": 3.0},
            "a lift of 3 stops over a softness of 3 is too steep: it would flatten the shadows; "
            "softness must be at least 6",
        ),
        ({"stops": 1.0, "softness": 0.0}, "softness is 0; it must be above 0 stops"),
        ({"stops": 1.0, "softness": -2.0}, "softness is -2; it must be above 0 stops"),
        ({"stops": True}, "'True' is not a number of stops"),
        ({"stops": 1.0, "below": math.nan}, "nan is not a number of stops; give a finite number"),
        ({"stops": 1.0, "softness": 99}, "99 stops is beyond +-40, more than any plate spans"),
    ],
)
def test_refuses(asked, complaint):
    with pytest.raises(ValidationError) as caught:
        LiftParams(**asked)
    assert [error["msg"] for error in caught.value.errors()] == [f"Value error, {complaint}"]


@given(st.floats(0.01, 19.0))
def test_the_softness_it_says_it_needs_is_enough(stops):
    with pytest.raises(ValidationError) as caught:
        LiftParams(stops=stops, softness=stops * 1.5)
    needed = float(re.search(r"at least (\S+)$", caught.value.errors()[0]["msg"])[1])
    params = LiftParams(stops=stops, softness=needed)
    assert LIFT.slope(LIFT.decide(params, 1)) >= MIN_SLOPE - 1e-15
    assert needed == pytest.approx(2.0 * stops, abs=1e-3)  # 1.875 / (1 - 1/16)
    with pytest.raises(ValidationError, match="too steep"):
        LiftParams(stops=stops, softness=2.0 * stops * 0.99)


def test_says_what_it_is():
    numbers = LIFT.decide(LiftParams(stops=1.0), 1)
    assert numbers == {"stops": 1.0, "below": -3.0, "softness": 3.0}
    assert LIFT.exposure(numbers) == 0.0
    assert LIFT.gains(numbers) is None
    assert LIFT.slope(numbers) == 0.375
    assert LIFT.gains(numbers | {"stops": 0.0}) == (1.0, 1.0, 1.0)
    assert LIFT.slope(numbers | {"stops": -2.0}) == 1.0  # deepening flattens nothing
    assert LIFT.before == ("pull",)


@pytest.mark.parametrize("back", [False, True])
def test_gains_are_float32(back):
    method = LIFT.tone_gain_back if back else LIFT.tone_gain
    numbers = {"stops": 1.0, "below": -3.0, "softness": 3.0}
    assert method(np.asarray([0.001, 0.18], np.float32), numbers, HERE).dtype == np.float32

"""Curves from noisy readings over time, against the truth they were made from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeprep.errors import RequestError
from gradeprep.model.exposure import Keys
from gradeprep.pipeline.changes import noise
from gradeprep.pipeline.curve import ExposureCurve, Segment, curve

NOISE = 0.05
SEEDS = range(60)


def readings(truth, seed, *, wrong=0.05, clean=()):
    """Truth with 0.05 stop of noise and 5 % of readings wrong by 0.3 to 2 stops."""
    random = np.random.default_rng(seed)
    noisy = truth + random.normal(0.0, NOISE, truth.size)
    bad = random.random(truth.size) < wrong
    bad[list(clean)] = False
    signs = random.choice([-1.0, 1.0], truth.size)
    return noisy + np.where(bad, signs * random.uniform(0.3, 2.0, truth.size), 0.0)


def solved(truth, seed, **how) -> ExposureCurve:
    frames = range(1001, 1001 + truth.size)
    return curve(list(frames), readings(truth, seed, **how).tolist(), [NOISE] * truth.size)


def off(found: ExposureCurve, truth) -> float:
    """Root mean square of the curve's error, in stops."""
    told = [found.stops(frame) for frame in range(1001, 1001 + truth.size)]
    return float(np.sqrt(np.mean((np.array(told) - truth) ** 2)))


def kinds(found: ExposureCurve) -> list[str]:
    return [segment.kind for segment in found.segments]


def test_a_drift_of_two_stops_is_followed():
    truth = np.linspace(-1.0, -3.0, 96)
    found = [solved(truth, seed) for seed in SEEDS]
    assert max(off(one, truth) for one in found) < 0.03
    assert sum(kinds(one) == ["ramp"] and len(one.keys) == 2 for one in found) >= 57


def test_a_smooth_drift_is_followed_by_a_few_straight_pieces():
    truth = -2.0 + np.cos(np.linspace(0.0, np.pi, 240))
    found = [solved(truth, seed) for seed in SEEDS[:30]]
    errors = sorted(off(one, truth) for one in found)
    assert errors[len(errors) // 2] < 0.025
    assert errors[-1] < 0.036
    assert all(len(one.keys) <= 6 and "step" not in kinds(one) for one in found)


def test_a_step_of_one_stop_is_on_its_frame():
    truth = np.where(np.arange(96) < 41, -3.0, -2.0)
    found = [solved(truth, seed, clean=(40, 41)) for seed in SEEDS]
    right = [one for one in found if list(one.keys) == [1041, 1042]]
    assert len(right) >= 59  # once in 60, a wrong reading beside the step looks like half of it
    for one in right:
        assert off(one, truth) < 0.03
        assert one.segments[1] == Segment("step", 1041, 1042)
        assert kinds(one) == ["level", "step", "level"]
        assert not any("a step lies" in warning for warning in one.warnings)


def test_a_step_beside_a_reading_that_is_wrong_is_told():
    stops = [-3.0] * 20 + [4.0] + [-2.0] * 20
    found = curve(list(range(1, 42)), stops, [NOISE] * 41)
    assert found.rejected == (21,)
    assert found.warnings == ("a step lies between frames 20 and 22; no reading says where",)
    assert found.stops(20) == -3.0
    assert found.stops(22) == -2.0


def test_a_wrong_reading_at_the_level_before_the_step_does_not_become_a_flash():
    random = np.random.default_rng(2)
    truth = np.array([-3.0] * 24 + [-2.0] * 24)
    values = truth + random.normal(0.0, NOISE, 48)
    values[25] = -3.0  # dark, bright, dark, bright: which of the middle two is wrong?
    found = curve(list(range(1, 49)), values.tolist(), [NOISE] * 48)
    assert kinds(found) == ["level", "step", "level"]
    assert found.rejected == (25, 26)
    assert found.warnings == ("a step lies between frames 24 and 27; no reading says where",)


def test_a_constant_is_one_key():
    truth = np.full(96, -3.0)
    found = [solved(truth, seed) for seed in SEEDS]
    assert sum(list(one.keys) == [1001] for one in found) >= 58
    assert max(off(one, truth) for one in found) < 0.03


def test_a_ramp_then_level():
    truth = np.minimum(np.arange(96) / 40.0, 1.0) * 1.5 - 3.0
    for seed in SEEDS[:30]:
        found = solved(truth, seed)
        assert off(found, truth) < 0.03
        assert kinds(found) == ["ramp", "level"]
        assert list(found.keys)[1] == pytest.approx(1041, abs=8)


def test_a_fast_pull_of_the_iris_is_a_short_ramp_and_not_wrong_readings():
    stops = [-3.0] * 20 + [-2.75, -2.5, -2.25] + [-2.0] * 20
    found = curve(list(range(1, 44)), stops, [0.0] * 43)
    assert found.rejected == ()
    assert [found.stops(frame) for frame in range(1, 44)] == pytest.approx(stops, abs=0.011)


def test_exact_readings_give_exact_keys():
    found = curve(
        list(range(10, 31)), [-3.0] * 11 + [-3.0 + k / 10 for k in range(1, 11)], [0] * 21
    )
    assert found.keys == {20: -3.0, 30: -2.0}
    assert found.segments == (Segment("level", 10, 20), Segment("ramp", 20, 30))
    assert found.flicker == pytest.approx(0.0, abs=1e-9)
    assert all(found.stops(frame) == Keys(at=found.keys).stops(frame) for frame in range(40))


def test_readings_may_be_missing_and_in_any_order():
    truth = np.linspace(0.0, -2.0, 60)
    random = np.random.default_rng(5)
    kept = random.permutation(60)[:35]
    values = (truth + random.normal(0.0, NOISE, 60))[kept]
    found = curve((kept + 1001).tolist(), values.tolist(), [NOISE] * 35)
    assert off(found, truth) < 0.03


def test_flicker_is_what_is_left():
    random = np.random.default_rng(1)
    values = -3.0 + random.normal(0.0, 0.08, 400)
    found = curve(list(range(400)), values.tolist(), [0.001] * 400)
    assert found.flicker == pytest.approx(0.08, rel=0.1)
    assert found.warnings == (
        f"flicker of {found.flicker:.3f} stop is left; keys do not take it out",
    )
    assert noise(values) == pytest.approx(0.08, rel=0.15)


def test_many_wrong_readings_are_warned_of():
    values = [-3.0] * 40
    values[3::8] = [0.0, 5.0, -9.0, 2.0, 1.0]
    found = curve(list(range(40)), values, [0.02] * 40)
    assert found.keys == {0: -3.0}
    assert found.rejected == (3, 11, 19, 27, 35)
    assert found.warnings == ("5 of 40 readings were rejected; look at how they were read",)


@pytest.mark.parametrize(
    ("frames", "stops", "keys", "segments"),
    [
        ([7, 8], [-2.0, -2.0], {7: -2.0}, ["level"]),
        ([7, 8], [-2.0, -2.02], {7: -2.01}, ["level"]),
        ([7, 8], [-2.0, -1.0], {7: -2.0, 8: -1.0}, ["step"]),
        ([7, 17], [-2.0, -1.0], {7: -2.0, 17: -1.0}, ["ramp"]),
        ([7, 8, 9], [-2.0, -2.0, -2.0], {7: -2.0}, ["level"]),
        ([7, 8, 9], [-2.0, -1.5, -1.0], {7: -2.0, 9: -1.0}, ["ramp"]),
    ],
)
def test_short_plates(frames, stops, keys, segments):
    found = curve(frames, stops, [0.01] * len(frames))
    assert found.keys == pytest.approx(keys)
    assert kinds(found) == segments


@pytest.mark.parametrize(
    ("frames", "stops", "sigmas", "complaint"),
    [
        ([], [], [], "a curve needs readings of two frames or more, not 0"),
        ([1], [-3.0], [0.1], "a curve needs readings of two frames or more, not 1; give the pull"),
        ([1, 1], [0.0, 0.0], [0.1, 0.1], "a frame has two readings; give one reading a frame"),
        ([1, 2], [0.0], [0.1, 0.1], "frames, stops and sigmas of a curve are not equally many"),
        ([1, 2], [0.0, float("nan")], [0.1, 0.1], "frame 2: nan is not a number of stops"),
        ([1, 2], [0.0, 0.0], [0.1, -0.1], "frame 2: -0.1 is no sigma of a reading"),
        ([1, 2], [0.0, 0.0], [float("inf"), 0.1], "frame 1: inf is no sigma of a reading"),
    ],
)
def test_what_is_no_series(frames, stops, sigmas, complaint):
    with pytest.raises(RequestError) as caught:
        curve(frames, stops, sigmas)
    assert complaint in str(caught.value)


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(st.integers(-50, 90), st.floats(-20, 20), min_size=2, max_size=30),
    st.floats(0.0, 0.5),
)
def test_any_series_has_a_curve_that_stays_within_reason(series, sigma):
    frames, stops = list(series), list(series.values())
    found = curve(frames, stops, [sigma] * len(frames))
    assert list(found.keys) == sorted(found.keys)
    assert min(frames) <= min(found.keys) <= max(found.keys) <= max(frames)
    assert found.segments[0].first == min(frames)
    assert found.segments[-1].last == max(frames)
    assert np.isfinite([*found.keys.values(), found.flicker]).all()

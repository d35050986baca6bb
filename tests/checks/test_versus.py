"""A hot plate against a normal one, in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import LINEAR, Simulated, expose, patches

from gradeprep.checks.tones import Clean
from gradeprep.checks.versus import Shift, compare, hotter
from gradeprep.demo.sensor import Sensor
from gradeprep.plugins.contracts import Scale

GREY_SENSOR = Sensor(balance=(1.0, 1.0, 1.0))  # all channels alike: luminance has its SNR
SCENE = patches(-9.0, 4.5, rows=192)


def gain_db(tone, stops, sensor):
    """Closed form of the gain in signal to noise of exposing hotter (EMVA Standard 1288)."""
    electrons = 0.18 * 2.0**tone * sensor.base
    return 20.0 * math.log10(sensor.snr(electrons * 2.0**stops) / sensor.snr(electrons))


@pytest.fixture(scope="module")
def normal():
    return expose(SCENE, sensor=GREY_SENSOR, shot="normal")


@pytest.fixture(scope="module")
def hot():
    return expose(SCENE, sensor=GREY_SENSOR, stops=3.0, seed=8, shot="hot")


@pytest.fixture(scope="module")
def told(normal, hot):
    return compare(normal, hot, stops=3.0)


def test_three_stops_gain_what_the_model_says(told):
    assert len(told.gains) > 30
    for gain in told.gains:
        expected = gain_db(gain.tone, 3.0, GREY_SENSOR)
        assert gain.db == pytest.approx(expected, abs=0.5), gain.tone
        assert gain.uncertainty < 0.3


def test_clean_shadow_moves_by_the_stops(told):
    for shift in (told.acceptable, told.excellent):
        assert shift.stops == pytest.approx(3.0, abs=0.1)
        assert not shift.least


def test_range_above_grey_shrinks_by_the_stops_and_below_it_grows(told):
    clip = math.log2(GREY_SENSOR.full_well / GREY_SENSOR.base / 0.18)
    assert (told.hot.above, told.hot.end) == (pytest.approx(clip - 3.0, abs=0.01), "plateau")
    assert (told.normal.above, told.normal.end) == (None, None)  # nothing in it clips
    assert told.hot.below - told.normal.below == pytest.approx(3.0, abs=0.1)
    assert not told.hot.open


@pytest.mark.parametrize(
    ("sensor", "low", "high", "expected"),
    [
        # shot noise rules: sqrt(2) a stop
        (Sensor(read_noise=0.0, bits=16, balance=(1.0, 1.0, 1.0)), -3.0, 2.0, 3.0103),
        # read noise rules: 2 a stop
        (Sensor(read_noise=300.0, base=1000.0, balance=(1.0, 1.0, 1.0)), 0.0, 2.0, 6.0206),
    ],
)
def test_a_stop_is_worth_3_or_6_db(sensor, low, high, expected):
    # EMVA Standard 1288, linear camera model
    scene = patches(low, high, rows=256)
    plates = [expose(scene, sensor=sensor, stops=by, seed=3 + int(by)) for by in (0.0, 1.0)]
    gains = compare(*plates, stops=1.0).gains
    assert len(gains) >= 5
    mean = sum(gain.db for gain in gains) / len(gains)
    assert mean == pytest.approx(expected, abs=0.15)


def test_stated_wins_then_decided_then_measured(normal, hot):
    assert hotter(normal, hot, stops=2.5).source == "stated"
    pulled = Simulated(hot.pictures, decided=-3.0)
    assert (hotter(normal, pulled).stops, hotter(normal, pulled).source) == (3.0, "decided")
    measured = hotter(normal, hot)
    assert measured.source == "measured"
    assert measured.stops == pytest.approx(3.0, abs=0.01)
    assert 0.0 < measured.sigma < 0.01


def test_the_one_exposure_is_the_normal_plates_own(normal, hot):
    lifted = Simulated(normal.pictures, decided=1.0)
    told = compare(lifted, hot, stops=3.0)
    plain = compare(normal, hot, stops=3.0)
    assert told.acceptable.normal.tone == pytest.approx(plain.acceptable.normal.tone + 1.0)
    assert told.acceptable.stops == pytest.approx(plain.acceptable.stops)
    assert told.hot.above == pytest.approx(plain.hot.above + 1.0)


def test_an_encodings_end_is_told_where_nothing_clips(normal):
    scale = Scale(ceiling=65504.0, step=0.0, log=False, tone=LINEAR.tone)
    half = Simulated(normal.pictures, scale=scale)
    told = compare(half, half, stops=0.0)
    assert told.normal.end == "ceiling"
    assert told.normal.above == pytest.approx(math.log2(65504.0 / 0.18))  # IEEE 754 binary16


def test_another_picture_is_refused(normal):
    dice = np.random.default_rng(2)
    other = Simulated({1: dice.permutation(normal.pictures[1], axis=1)}, shot="other")
    wild = Simulated({1: normal.pictures[1][:, ::-1]}, shot="other")
    for picture in (other, wild):
        with pytest.raises(ValueError, match=r"do not show the same picture|are lit"):
            hotter(normal, picture)


def test_other_sizes_and_darkness_are_refused(normal):
    small = Simulated({1: normal.pictures[1][:100]}, shot="small")
    with pytest.raises(ValueError, match="normal and small differ in size"):
        hotter(normal, small)
    dark = Simulated({1: normal.pictures[1] * np.float32(2.0**-12)}, shot="dark")
    with pytest.raises(ValueError, match="only 0 blocks of normal and dark are lit"):
        hotter(normal, dark)


@pytest.mark.parametrize(
    ("normal", "hot", "stops", "least"),
    [
        (Clean(10.0, -2.0, False), Clean(10.0, -5.0, False), 3.0, False),
        (Clean(10.0, -2.0, False), Clean(10.0, -4.0, True), 2.0, True),
        (Clean(10.0, -2.0, True), Clean(10.0, -4.0, True), None, False),
        (Clean(10.0, None, False), Clean(10.0, -4.0, False), None, False),
    ],
)
def test_a_shift_says_what_can_be_said(normal, hot, stops, least):
    shift = Shift(normal, hot)
    assert (shift.stops, shift.least) == (stops, least)


def test_plates_without_noise_have_nothing_to_compare():
    flat = Simulated({1: np.full((100, 100, 3), 0.18, np.float32)})
    told = compare(flat, flat, stops=0.0)
    assert told.gains == ()
    assert told.acceptable.stops is None
    assert told.normal.below is None

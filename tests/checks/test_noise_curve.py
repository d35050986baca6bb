"""Third-stop bins and curves of signal to noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.checks.tones import Clean, NoiseBin, NoiseCurve, bin_of, decibels
from gradeprep.demo.sensor import Sensor

levels = st.floats(1e-6, 1e4)


def one(level, sigma, uncertainty=0.1):
    return NoiseBin(
        level=level, sigma=sigma, uncertainty=uncertainty, samples=1000, method="temporal"
    )


def sensor_curve(low=-8, high=3, per_stop=3):
    """Bins on the closed form of the linear camera model (EMVA Standard 1288)."""
    bins = []
    for third in range(low * per_stop, high * per_stop + 1):
        level = 0.18 * 2.0 ** (third / per_stop)
        bins.append(one(level, level / Sensor().snr(level * Sensor().base)))
    return NoiseCurve("G", tuple(bins))


@given(levels, st.integers(-10, 10))
def test_a_stop_is_three_bins(level, stops):
    # 2**stops is exact, so that only a level on the very edge of a bin could round away
    here, there = bin_of(np.array([level, level * 2.0**stops]))
    assert abs(there - here - 3 * stops) <= 1
    assert bin_of(np.array([0.18 * 2.0**stops]))[0] == 3 * stops


def test_decibels_are_of_amplitudes():
    assert decibels(10.0) == pytest.approx(20.0, abs=1e-12)  # EMVA Standard 1288
    assert decibels(2.0) == pytest.approx(6.0206, abs=1e-4)


def test_a_bin_tells_its_tone_where_it_was_measured():
    assert one(0.36, 0.036).tone == pytest.approx(1.0)
    assert one(0.36, 0.036).snr == pytest.approx(10.0)


@pytest.mark.parametrize("ratio", [10.0, 40.0])
def test_the_clean_tone_is_where_the_model_crosses_the_ratio(ratio):
    # root of mu / sqrt(mu + read**2 + 1 / 12 K**2) = ratio (EMVA Standard 1288)
    sensor = Sensor()
    dark = sensor.read_noise**2 + 1.0 / (12.0 * sensor.codes_per_electron**2)
    electrons = 0.5 * ratio**2 * (1.0 + math.sqrt(1.0 + 4.0 * dark / ratio**2))
    clean = sensor_curve().clean(ratio)
    assert not clean.open
    assert clean.tone == pytest.approx(math.log2(electrons / sensor.base / 0.18), abs=0.01)


@given(st.floats(-7.9, 2.9))
def test_between_bins_the_curve_stays_on_the_model(tone):
    db, uncertainty = sensor_curve().db_at(tone)
    level = 0.18 * 2.0**tone
    assert db == pytest.approx(20 * math.log10(Sensor().snr(level * Sensor().base)), abs=0.05)
    assert 0.07 <= uncertainty <= 0.1
    assert sensor_curve().sigma_at(tone) == pytest.approx(level / 10 ** (db / 20), rel=0.01)


def test_a_curve_says_nothing_outside_and_in_wide_gaps():
    curve = NoiseCurve("G", (one(0.09, 0.01), one(0.36, 0.01)))
    assert curve.db_at(0.0) is None
    assert curve.sigma_at(0.0) is None
    assert sensor_curve().db_at(-9.0) is None
    assert sensor_curve().db_at(4.0) is None


def test_what_is_clean_to_the_end_stays_open():
    assert sensor_curve(low=0).clean(10.0) == Clean(10.0, pytest.approx(0.0), True)
    assert str(sensor_curve(low=0).clean(10.0)) == "10:1 at least down to +0.0 stops"
    assert sensor_curve(high=-6).clean(10.0) == Clean(10.0, None, False)
    assert str(sensor_curve(high=-6).clean(10.0)) == "nowhere 10:1"
    assert NoiseCurve("G", ()).clean(10.0).tone is None


def test_numbers_are_columns():
    numbers = NoiseCurve("G", (one(0.18, 0.018),)).numbers()
    assert numbers == {
        "tone": [0.0],
        "sigma": [0.018],
        "snr": [10.0],
        "uncertainty_db": [0.1],
        "samples": [1000],
        "method": ["temporal"],
    }

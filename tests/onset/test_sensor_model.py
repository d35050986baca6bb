"""Signal to noise by the linear camera model of EMVA Standard 1288."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.onset.sensor import SensorModel, noise

THREE = SensorModel(full_well=30_000.0, read_noise=3.0)


# mu / sqrt(mu + read ** 2) and what 1 and 3 stops more make of it; arithmetic, and Monte Carlo.
@pytest.mark.parametrize(
    ("electrons", "snr", "one_stop", "three_stops"),
    [
        (1, 0.3162278, 1.906925, 6.13572),
        (16, 3.2, 1.561738, 3.417431),
        (256, 15.72595, 1.426376, 2.871414),
        (4096, 63.9298, 1.414989, 2.831144),
        (30000, 173.1791, 1.41432, 2.828798),
    ],
)
def test_snr(electrons, snr, one_stop, three_stops):
    assert THREE.snr(electrons) == pytest.approx(snr, rel=1e-6)
    assert THREE.snr(2 * electrons) / THREE.snr(electrons) == pytest.approx(one_stop, rel=1e-6)
    assert THREE.snr(8 * electrons) / THREE.snr(electrons) == pytest.approx(three_stops, rel=1e-6)


def test_threshold():  # EMVA 1288: the exact root of SNR = 1 is 1/2 + sqrt(1/4 + read ** 2)
    assert THREE.electrons(1.0) == pytest.approx(3.5413813, rel=1e-7)
    assert math.log2(30_000 / THREE.electrons(1.0)) == pytest.approx(13.048363, abs=1e-6)


def test_shot_limited_sensor_reaches_a_ratio_at_its_square():
    silent = SensorModel(full_well=10_000, read_noise=0)
    assert silent.electrons(10) == pytest.approx(100, rel=1e-12)
    assert silent.electrons(40) == pytest.approx(1600, rel=1e-12)
    assert silent.darkest(10, clip=0.0) == pytest.approx(math.log2(0.01), rel=1e-12)


@given(st.floats(0.01, 1e4), st.floats(0.0, 100.0))
def test_root_is_the_root(snr, read_noise):
    sensor = SensorModel(full_well=1e4, read_noise=read_noise)
    assert sensor.snr(sensor.electrons(snr)) == pytest.approx(snr, rel=1e-9)


def test_table():
    told = noise(THREE, clip=6.0, hot=3.0, how="stated")
    assert told.grey == 30_000 / 64
    rows = {row.tone: row for row in told.tones}
    assert max(rows) == 6
    assert min(rows) == -8
    assert rows[6].normal == pytest.approx(173.1791, rel=1e-6)
    assert rows[4].hot is None
    assert rows[3].hot == rows[6].normal  # a tone 3 stops hot is the tone 3 stops up
    assert rows[-3].hot == rows[0].normal
    ten, forty = told.usable
    assert (ten.ratio, forty.ratio) == (10.0, 40.0)  # ISO 12232
    assert ten.hot == pytest.approx(ten.normal - 3.0, abs=1e-12)
    grey = told.grey * 2.0**ten.normal
    assert THREE.snr(grey) == pytest.approx(10.0, rel=1e-9)


def test_less_light_clips_nothing_more():
    rows = {row.tone: row for row in noise(THREE, clip=5.5, hot=-1.0, how="").tones}
    assert max(rows) == 5
    assert all(row.normal is not None and row.hot is not None for row in rows.values())
    assert rows[0].hot < rows[0].normal


@pytest.mark.parametrize(
    ("full_well", "read_noise", "complaint"),
    [
        (0, 3, "a full well must be above zero electrons, not 0"),
        (math.inf, 3, "a full well must be above zero electrons, not inf"),
        (1e4, -1, "read noise must be zero electrons or more, not -1"),
        (1e4, math.nan, "read noise must be zero electrons or more, not nan"),
    ],
)
def test_refused(full_well, read_noise, complaint):
    with pytest.raises(ValueError) as caught:
        SensorModel(full_well=full_well, read_noise=read_noise)
    assert str(caught.value) == complaint

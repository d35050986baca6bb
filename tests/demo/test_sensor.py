"""The sensor against the closed form of EMVA Standard 1288 and its photon transfer method."""

from __future__ import annotations

import numpy as np
import pytest

from gradeprep.demo.sensor import CAMERA, Sensor
from gradeprep.model.stops import gain

SAMPLES = 200_000
STOPS = [0.0, 1.0, 3.0]


def flat(electrons: float, sensor: Sensor, *, seed: int) -> np.ndarray:
    """Code values of a flat patch above black, float64."""
    patch = np.full((1, SAMPLES, 1), electrons, np.float32)
    return sensor.digitize(patch, seed=seed).astype(np.float64) - sensor.black_level


@pytest.mark.parametrize("read_noise", [1.0, 3.0, 8.0])
@pytest.mark.parametrize("electrons", [16.0, 100.0, 800.0, 16_384.0])
def test_snr_of_many_photosites_is_the_closed_form(electrons, read_noise):
    """EMVA Standard 1288: SNR(mu) = mu / sqrt(mu + sigma_d^2 + 1 / (12 K^2))."""
    sensor = Sensor(read_noise=read_noise)
    codes = flat(electrons, sensor, seed=20260725)
    assert codes.mean() / codes.std() == pytest.approx(sensor.snr(electrons), rel=0.01)


def test_snr_counts_the_rounding_of_a_coarse_converter():
    """At 10 bits one code is 64 electrons: rounding is most of the noise of 1000 electrons."""
    coarse = Sensor(bits=10, black_level=64, full_well=60_000.0)
    codes = flat(1_000.0, coarse, seed=4)
    fine = 1_000.0 / np.sqrt(1_000.0 + coarse.read_noise**2)
    assert codes.mean() / codes.std() == pytest.approx(coarse.snr(1_000.0), rel=0.01)
    assert coarse.snr(1_000.0) < 0.95 * fine


@pytest.mark.parametrize(
    ("electrons", "expected"), [(1, 0.3162278), (64, 7.490633), (1024, 31.8603), (30000, 173.1791)]
)
def test_snr_without_rounding_is_the_textbook_number(electrons, expected):
    """mu / sqrt(mu + 9), a read noise of 3 electrons and a converter too fine to matter."""
    assert Sensor(bits=30, read_noise=3.0).snr(electrons) == pytest.approx(expected, rel=1e-6)


def test_photon_transfer_recovers_gain_and_read_noise():
    """EMVA Standard 1288: K is the slope of variance over mean; sigma_d follows from darkness."""
    sensor = Sensor()
    dark = flat(0.0, sensor, seed=1)
    patches = [flat(mu, sensor, seed=int(mu)) for mu in (500.0, 2_000.0, 8_000.0)]
    signal = np.array([patch.mean() - dark.mean() for patch in patches])
    noise = np.array([patch.var() - dark.var() for patch in patches])
    slope = (signal @ noise) / (signal @ signal)
    assert slope == pytest.approx(sensor.codes_per_electron, rel=0.01)
    assert np.sqrt(dark.var() - 1 / 12) / slope == pytest.approx(sensor.read_noise, rel=0.02)


@pytest.mark.parametrize("stops", STOPS)
def test_a_hotter_exposure_is_exactly_that_much_brighter(stops):
    scene = np.full((200, 200, 3), 0.18, np.float32)
    record = CAMERA.expose(scene, stops=stops, seed=7)
    assert record.mean(axis=(0, 1)) == pytest.approx([0.18 * gain(stops)] * 3, rel=2e-3)


@pytest.mark.parametrize("stops", STOPS)
def test_noise_of_a_pulled_exposure_is_what_the_closed_form_says(stops):
    """The pull scales signal and noise alike, so the ratio is that of the electrons caught."""
    scene = np.full((300, 300, 3), 0.01, np.float32)
    pulled = CAMERA.expose(scene, stops=stops, seed=8) * gain(-stops)
    for channel, per_unit in enumerate(CAMERA.electrons_per_unit):
        plane = pulled[..., channel].astype(np.float64)
        expected = CAMERA.snr(0.01 * per_unit * gain(stops))
        assert plane.mean() / plane.std() == pytest.approx(expected, rel=0.02)


def test_each_channel_clips_at_its_own_ceiling():
    scene = np.full((20, 20, 3), 1_000.0, np.float32)
    record = CAMERA.expose(scene, stops=0.0, seed=3)
    assert np.allclose(record, CAMERA.ceiling, rtol=1e-6)
    assert len(set(CAMERA.ceiling)) == 3


def test_the_ceiling_does_not_move_with_exposure():
    scene = np.full((4, 4, 3), 1_000.0, np.float32)
    tops = [CAMERA.expose(scene, stops=s, seed=3).max(axis=(0, 1)) for s in STOPS]
    assert np.allclose(tops, CAMERA.ceiling, rtol=1e-6)


def test_darkness_stays_centred_on_zero():
    record = CAMERA.expose(np.zeros((300, 300, 3), np.float32), stops=0.0, seed=5)
    spread = record.std(axis=(0, 1))
    assert np.all(np.abs(record.mean(axis=(0, 1))) < 5 * spread / 300)
    assert (record < 0).mean() > 0.3


def test_codes_are_whole_numbers_of_the_converter():
    codes = CAMERA.digitize(np.full((50, 50, 3), 40_000.0, np.float32), seed=2)
    assert np.array_equal(codes, np.rint(codes))
    assert codes.max() == CAMERA.top_code == 16_383


def test_equal_seeds_give_equal_pictures_and_other_seeds_other_noise():
    scene = np.full((8, 8, 3), 0.18, np.float32)
    first = CAMERA.expose(scene, stops=1.0, seed=(1, 1001))
    assert first.dtype == np.float32
    assert np.array_equal(first, CAMERA.expose(scene, stops=1.0, seed=(1, 1001)))
    assert not np.array_equal(first, CAMERA.expose(scene, stops=1.0, seed=(1, 1002)))
    assert np.array_equal(scene, np.full((8, 8, 3), 0.18, np.float32))

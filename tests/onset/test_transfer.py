"""Photon transfer recovers a simulated sensor (EMVA Standard 1288), whatever it recorded in."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import FakeView
from simulated import patches

from gradeprep.demo.sensor import Sensor
from gradeprep.model.frame import Layout, PartLayout
from gradeprep.model.stops import GREY
from gradeprep.onset.transfer import photon_transfer
from gradeprep.plugins.contracts import Scale

FULL_WELL, READ_NOISE = {"rel": 0.03}, {"rel": 0.10}


def acescct(light):  # Academy S-2016-001
    light = np.asarray(light, np.float64)
    low = 10.5402377416545 * light + 0.0729055341958355
    with np.errstate(divide="ignore", invalid="ignore"):
        high = (np.log2(light) + 9.72) / 17.52
    return np.where(light <= 0.0078125, low, high)


def acescct_tone(code):
    code = np.asarray(code, np.float64)
    low = (code - 0.0729055341958355) / 10.5402377416545
    light = np.where(code <= 0.155251141552511, low, np.exp2(code * 17.52 - 9.72))
    with np.errstate(divide="ignore"):
        return np.log2(np.maximum(light, 0.0) / GREY)


def log(step):
    return Scale(ceiling=1.0, step=step, log=True, tone=acescct_tone)


def shot(scene, *, sensor, seed=1, **told):
    pictures = {n: sensor.expose(scene, stops=0.0, seed=[seed, n]) for n in (1001, 1002)}
    floats = Layout("exr", (PartLayout("", dict.fromkeys("RGB", "float"), (0, 0, 1, 1), None),))
    return FakeView(pictures, layouts={1001: floats}, **told)


def clip(sensor):
    return math.log2(min(sensor.ceiling) / GREY)


SENSORS = {
    "usual": Sensor(),
    "small": Sensor(full_well=12_000.0, read_noise=6.0, base=1_500.0),
    "deep": Sensor(full_well=60_000.0, read_noise=4.0, base=4_000.0),
}


@pytest.mark.parametrize("name", SENSORS)
@pytest.mark.parametrize("seed", [1, 2])
def test_recovers_full_well_and_read_noise(name, seed):
    sensor = SENSORS[name]
    found = photon_transfer(shot(patches(-9, 5), sensor=sensor, seed=seed), clip=clip(sensor))
    assert found.sensor.full_well == pytest.approx(sensor.full_well, **FULL_WELL)
    assert found.sensor.read_noise == pytest.approx(sensor.read_noise, **READ_NOISE)
    assert abs(found.sensor.full_well - sensor.full_well) < 4.0 * found.full_well_sigma
    assert found.channel == "G"  # the most sensitive
    assert found.frames == (1001, 1002)
    assert "photon transfer, G of frames 1001 and 1002" in found.how


@pytest.mark.parametrize("bits", [10, 12, 0])
def test_recovers_them_from_a_log_recording(bits):
    """Rounding to 10 bit adds a quarter to the noise of a highlight; it is taken out again."""
    sensor = Sensor(full_well=12_000.0, read_noise=6.0, base=1_500.0)
    top = (1 << bits) - 1

    def encode(light):
        code = acescct(light)
        return np.round(code * top) / top if bits else code

    view = shot(patches(-9, 5), sensor=sensor, scale=log(1.0 / top if bits else 0.0), encode=encode)
    found = photon_transfer(view, clip=clip(sensor)).sensor
    assert found.full_well == pytest.approx(sensor.full_well, **FULL_WELL)
    assert found.read_noise == pytest.approx(sensor.read_noise, **READ_NOISE)


def test_recovers_them_from_half_floats_on_a_log_curve():
    sensor = Sensor()
    view = shot(
        patches(-9, 5),
        sensor=sensor,
        scale=log(0.0),
        encode=lambda light: acescct(light).astype(np.float16),
    )
    view.layouts = {}  # then they are halves
    found = photon_transfer(view, clip=clip(sensor)).sensor
    assert found.full_well == pytest.approx(sensor.full_well, **FULL_WELL)
    assert found.read_noise == pytest.approx(sensor.read_noise, **READ_NOISE)


def test_light_that_drifts_and_things_that_move_are_no_noise():
    """A thing with an edge shows by its structure, moving glitter by its variance alone."""
    sensor = Sensor()
    still = patches(-9, 5)
    still[100:180, 700:] *= np.random.default_rng(5).uniform(
        0.7, 1.3, (80, still.shape[1] - 700, 1)
    )
    moving = still.copy()
    moving[::7, 100:200] *= np.float32(1.5)
    moving[100:180, 700:] = np.roll(still[100:180, 700:], 1, axis=0)
    pictures = {
        1: sensor.expose(still, stops=0.0, seed=1),
        2: sensor.expose(moving * np.float32(0.98), stops=0.0, seed=2),
    }
    found = photon_transfer(FakeView(pictures), clip=clip(sensor)).sensor
    assert found.full_well == pytest.approx(sensor.full_well, **FULL_WELL)
    assert found.read_noise == pytest.approx(sensor.read_noise, **READ_NOISE)


def test_refused_plates():
    sensor = Sensor()
    plate = shot(patches(-9, 5), sensor=sensor)
    one = FakeView({1: plate.pictures[1001]})
    twice = FakeView({1: plate.pictures[1001], 2: plate.pictures[1001]})
    sizes = FakeView({1: plate.pictures[1001], 2: plate.pictures[1002][:99]})
    clean = FakeView({n: plate.pictures[1001] * 0 + np.float32(n) for n in (1, 2)})
    cases = {
        "photon transfer needs two frames, and the plate has one": one,
        "the two frames are the same, so there is no noise to read": twice,
        "frames 1 and 2 are not of one size": sizes,
        "the plate spans 0.0 stops of tone; it needs 4 or more": clean,
        "the plate spans 1.0 stops": shot(patches(0, 1), sensor=sensor),
        "no area of the plate is dark enough": shot(patches(0, 5), sensor=sensor),
        "blocks of the plate hold still; it needs 200": shot(
            patches(-9, 5, rows=12), sensor=sensor
        ),
    }
    for complaint, view in cases.items():
        with pytest.raises(ValueError) as caught:
            photon_transfer(view, clip=clip(sensor))
        assert complaint in str(caught.value)


def test_noise_that_does_not_grow_with_light_is_no_sensor_s():
    random = np.random.default_rng(3)
    scene = patches(-5, 4)
    pictures = {n: scene + random.normal(0, 0.001, scene.shape) / (scene + 0.1) for n in (1, 2)}
    view = FakeView({n: p.astype(np.float32) for n, p in pictures.items()})
    with pytest.raises(ValueError, match="does not grow with the light"):
        photon_transfer(view, clip=6.0)

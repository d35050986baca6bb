"""A test plate tells where the camera clips, and how far the brightest thing is over grey."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import FakeView
from truth.sensor import MATRIX, Camera, half, linear_scale

from gradeprep.demo.sensor import Sensor
from gradeprep.errors import RequestError
from gradeprep.onset.testplate import measured_ceiling, measured_scene

SENSOR = Sensor()
CLIP = math.log2(min(SENSOR.ceiling) / 0.18)  # 30,000 e- of 2,500 at 1.0: 6.06 stops


def plate(*, bright=2.0, lamp=9.0, stops=0.0):
    """A card, a bright wall, a lamp, and shade between them."""
    tones = np.linspace(-5.0, 1.0, 160)[None, :].repeat(120, axis=0)
    tones[10:40, 10:40] = 0.0
    tones[50:80, 10:40] = bright
    tones[90:115, 60:110] = lamp
    scene = np.repeat((0.18 * np.exp2(tones))[..., None], 3, axis=2).astype(np.float32)
    return FakeView({n: SENSOR.expose(scene, stops=stops, seed=n) for n in (1, 2)})


CARD, WALL, LAMP = [12, 12, 26, 26], [12, 52, 26, 26], [62, 92, 40, 20]


@pytest.mark.parametrize("stops", [0.0, 2.0])
def test_clip_is_that_of_the_sensor_at_any_exposure(stops):
    found = measured_ceiling(plate(stops=stops))
    assert found.stops == pytest.approx(CLIP, abs=0.01)
    assert (found.source, found.how) == ("plateau", "plateau of G in here")


def test_plate_that_does_not_clip_tells_no_clip():
    with pytest.raises(RequestError, match="no clipping found in the plate") as caught:
        measured_ceiling(plate(lamp=3.0))
    assert "state the clip with --clip" in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("stops", [-1.0, 0.0, 2.0])
def test_bright_thing_over_grey_is_the_scene_s_whatever_the_exposure(stops):
    found = measured_scene(plate(stops=stops), grey=CARD, bright=WALL)
    assert found.bright == pytest.approx(2.0, abs=0.02)
    assert found.how.startswith("regions of here, sigma 0.0")


def test_refused_regions():
    view = plate()
    with pytest.raises(RequestError, match="100% of the region is clipped in frame 1") as caught:
        measured_scene(view, grey=CARD, bright=LAMP)
    assert "record a darker test plate" in str(caught.value)
    with pytest.raises(RequestError, match=r"--bright-region: region .* reaches out"):
        measured_scene(view, grey=CARD, bright=[150, 0, 40, 10])
    with pytest.raises(RequestError, match="meter grey_card"):
        measured_scene(view, grey=[150, 0, 40, 10], bright=WALL)
    black = FakeView({1: np.where(np.arange(120)[:, None, None] < 48, view.pixels(1), 0.0)})
    with pytest.raises(RequestError, match="the region is black"):
        measured_scene(black, grey=CARD, bright=WALL)


def test_the_clip_of_the_sensor_behind_a_matrix():
    """Each working channel ends elsewhere; obeying one of those would clip the sensor."""
    camera = Camera(matrix=MATRIX, debayer="bilinear", spread=0.004)
    y, x = np.mgrid[:192, :320]
    tones = -4.0 + 10.5 * x / 320
    light = 0.18 * np.exp2(tones)[..., None] * (1.0 + 0.25 * np.sin(y / 9.0))[..., None]
    light = light * np.array([1.0, 1.0, 1.0])
    frames = {n: half(camera.expose(light, n)) for n in (1, 2)}
    found = measured_ceiling(FakeView(frames, scale=linear_scale()))
    assert found.stops == pytest.approx(camera.clip, abs=0.03)
    assert (found.source, found.how) == ("sensor", "full sensor channel of G in here")

"""Where recorded samples come to an end."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import GREEN, expose, patches

from gradeprep.checks.ends import at_an_end, first_clip
from gradeprep.demo.sensor import Sensor


def ramp():
    values = np.linspace(0.1, 0.9, 40 * 40, dtype=np.float32).reshape(40, 40, 1)
    return np.repeat(values, 3, axis=2)


@pytest.mark.parametrize(("value", "pixels"), [(0.95, 16), (0.05, 20)])
def test_a_value_that_many_share_is_an_end(value, pixels):
    picture = ramp()
    picture.reshape(-1, 3)[:pixels, GREEN] = value
    assert np.count_nonzero(at_an_end(picture, None)) == pixels


def test_a_value_that_few_share_is_none():
    picture = ramp()
    picture.reshape(-1, 3)[:15, GREEN] = 0.95
    assert not at_an_end(picture, None).any()


def test_the_encoding_has_an_end_even_for_one_sample():
    picture = ramp()
    picture[3, 4, 0] = 1.0
    assert np.argwhere(at_an_end(picture, 1.0)).tolist() == [[3, 4]]


def test_a_clipped_sensor_shows_its_first_channel():
    plate = expose(patches(-3.0, 8.0), [1, 2])
    found = first_clip(plate, plate.frames)
    assert found == pytest.approx(min(Sensor().ceiling), rel=1e-3)


def test_a_plate_that_does_not_clip_shows_none():
    plate = expose(patches(-3.0, 4.0), [1, 2])
    assert first_clip(plate, plate.frames) is None

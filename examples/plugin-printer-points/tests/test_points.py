"""Printer points, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from printer_points.check import PrinterRange
from printer_points.meter import TopLight
from printer_points.points import STOPS, points_of, stops_of
from printer_points.stage import PrinterPoints

from gradeprep.plugins.contracts import Light
from gradeprep.plugins.testing import MemoryPlate, hot_plate


def test_a_point_is_a_fortieth_of_a_decade():
    assert pytest.approx(math.log2(10.0)) == 40 * STOPS
    assert pytest.approx(0.9966, abs=1e-4) == 12 * STOPS
    assert points_of((10.0, 1.0, 0.1)) == pytest.approx((40.0, 0.0, -40.0))
    assert stops_of((1.0, 2.0, 0.0)) == pytest.approx((STOPS, 2 * STOPS, 0.0))


def test_the_stage_multiplies():
    stage = PrinterPoints()
    numbers = stage.decide(stage.Params(points=(40.0, 0.0, -40.0)), 1001)
    light = Light((0.25, 0.5, 0.25), 0.0)
    made = stage.apply(np.ones((2, 3, 3), np.float32), numbers, light)
    np.testing.assert_allclose(made, np.broadcast_to([10.0, 1.0, 0.1], (2, 3, 3)), rtol=1e-6)
    assert stage.exposure(numbers) == pytest.approx(0.0)


def test_the_meter_brings_the_top_to_its_tone():
    bright = MemoryPlate({1: hot_plate().pictures[1001] * 0 + 0.18 * 16})
    assert TopLight().read(bright, TopLight.Params()).stops == pytest.approx(2.5 - 4.0, abs=1e-6)


@pytest.mark.parametrize(("stops", "found"), [(0.0, 0), (-1.9, 0), (-2.1, 1), (2.0, 0), (2.2, 1)])
def test_the_check_knows_the_scale(stops, found):
    plate = hot_plate()
    plate.stops = stops
    assert len(list(PrinterRange().look(plate, PrinterRange.Params()))) == found

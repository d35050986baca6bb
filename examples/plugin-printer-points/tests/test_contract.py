"""Each plugin against its contract."""

from __future__ import annotations

from dataclasses import replace

from printer_points.check import PrinterRange
from printer_points.handover import LightList
from printer_points.meter import TopLight
from printer_points.stage import PrinterPoints

from gradeprep.plugins.testing import (
    check_check,
    check_handover,
    check_meter,
    check_stage,
    hot_plate,
)


def test_stage():
    check_stage(PrinterPoints, {"points": [-18.0, -19.0, -18.0]})


def test_meter():
    check_meter(TopLight)


def test_check():
    check_check(PrinterRange, faulty=replace(hot_plate(), stops=-3.0))


def test_handover():
    check_handover(LightList)

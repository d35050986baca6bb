"""ALE logs: the table, its rate, and rows that are bad."""

from __future__ import annotations

from fractions import Fraction

import pytest

from gradeprep.conform import ale
from gradeprep.errors import RequestError

COLUMNS = "Name\tTape\tTracks\tStart\tEnd\tDuration\tASC_SOP\tASC_SAT"


def read(*rows, fps="23.976", columns=COLUMNS, rate=None):
    head = ["Heading", "FIELD_DELIM\tTABS", f"FPS\t{fps}", "", "Column", columns, "", "Data"]
    return ale.read([*head, *rows], rate)


def test_a_row():
    (event,) = read(
        "quay_0100\tA001\tV\t17:49:33:01\t17:49:35:10\t00:00:02:09\t(1 1 1)(0 0 0)(1 1 1)\t0.9"
    ).events
    assert (event.number, event.line, event.reel) == ("001", 9, "A001")
    assert (event.start, event.end) == ("17:49:33:01", "17:49:35:10")
    assert event.rate == Fraction(24000, 1001)
    assert event.cdl.saturation == 0.9  # whole numbers are numbers too


def test_an_end_from_the_duration():
    (event,) = read("a\t\tV\t00:00:59;28\t\t00:00:00:04\t\t", fps="29.97").events
    assert event.end == "00:01:00;04"  # SMPTE ST 12-1: labels 00 and 01 are left out


@pytest.mark.parametrize(
    ("row", "severity", "what"),
    [
        ("a\tT\tV\t1:2:3:4\t\t\t\t", "fail", "'1:2:3:4' is not a timecode"),
        ("a\tT\tV\t01:00:00:00\t\t\t\t", "fail", "no Start with an End or a Duration"),
        ("a\tT\tV\t01:00:00:00\t01:00:01:00\t00:00:02:00\t\t", "warn", "02:00 differs from Start"),
        ("a\tT\tV\t01:00:00:00\t01:00:01:00\t\t(1 1 1)(0 0 0)(-1 1 1)\t", "warn", "power -1"),
        ("a\tT\tV\t01:00:00:00\t01:00:01:00\t\t\t\tx\ty", "warn", "has 10 cells under 8 columns"),
    ],
)
def test_a_bad_row_is_reported_by_its_line_and_the_others_stay(row, severity, what):
    good = "b\tT\tV\t01:00:00:00\t01:00:01:00\t\t\t"
    timeline = read(row, good)
    (remark,) = timeline.remarks
    assert (remark.severity, remark.line, remark.event) == (severity, 9, "001")
    assert what in remark.what
    assert len(timeline.events) == (1 if severity == "fail" else 2)


def test_a_log_without_a_table_is_refused():
    with pytest.raises(RequestError, match="no line of column names"):
        ale.read(["Heading", "FPS\t24", "Data"], None)
    with pytest.raises(RequestError, match="separated by COMMAS"):
        ale.read(["Heading", "FIELD_DELIM\tCOMMAS", "Column", "Name"], None)


def test_a_row_of_sound_needs_no_plate():
    timeline = read("a\tT\tA1A2\t01:00:00:00\t01:00:01:00\t\t\t")
    assert timeline.events == ()
    assert [remark.what for remark in timeline.remarks] == ["sound only (A1A2): no plate"]

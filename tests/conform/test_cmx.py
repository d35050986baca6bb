"""CMX3600 lists: what each line means, and that a bad one costs only itself."""

from __future__ import annotations

from fractions import Fraction

import pytest

from gradeprep.conform import cmx

CUT = "001  A001 V     C        01:00:00:00 01:00:01:00 10:00:00:00 10:00:01:00"


def read(*lines, rate=None):
    return cmx.read(list(lines), rate)


def said(timeline):
    return [(remark.severity, remark.line, remark.what) for remark in timeline.remarks]


def test_a_cut_with_its_notes():
    (event,) = read(
        CUT,
        "* FROM CLIP NAME: quay_0100",
        "* SOURCE FILE: /shoot/day 1/quay_0100.mov",
        "*ASC_SOP (0.9 1 1.1)(0 -0.01 1e-2)(1 1.2 1)",
        "*ASC_SAT 0.8",
        rate=Fraction(25),
    ).events
    assert (event.number, event.line, event.reel, event.track) == ("001", 1, "A001", "V")
    assert event.clips == ("quay_0100", "quay_0100.mov")
    assert (event.start, event.end) == ("01:00:00:00", "01:00:01:00")
    assert event.record == ("10:00:00:00", "10:00:01:00")
    assert event.rate == 25
    assert event.cdl.slope == (0.9, 1.0, 1.1)
    assert event.cdl.offset == (0.0, -0.01, 0.01)
    assert event.cdl.power == (1.0, 1.2, 1.0)
    assert event.cdl.saturation == 0.8


def test_a_reel_may_have_spaces_and_a_note_may_give_it_whole():
    spaced = CUT.replace("A001", "A001 B 2")
    assert read(spaced).events[0].reel == "A001 B 2"
    assert read(CUT, "* REEL: A001_C003_0501XY").events[0].reel == "A001_C003_0501XY"
    assert read(CUT.replace("A001", "AX")).events[0].reel == ""  # auxiliary: no reel at all


@pytest.mark.parametrize(
    ("note", "why"),
    [
        ("*ASC_SOP (-0.1 1 1)(0 0 0)(1 1 1)", "slope -0.1 is negative"),
        ("*ASC_SOP (1 1 1)(0 0 0)(1 0 1)", "power 0 is not over 0"),
        ("*ASC_SOP (1 1 1)(0 0 nan)(1 1 1)", "a number is not finite"),
        ("*ASC_SOP (1 1 1)(0 0 0)", "6 numbers where slope, offset and power need nine"),
        ("*ASC_SAT -1", "saturation -1 is negative"),
    ],
)
def test_an_illegal_cdl_is_reported_and_its_event_stays(note, why):  # ASC CDL release 1.2
    timeline = read(CUT, note)
    assert timeline.events[0].cdl is None
    assert said(timeline) == [("warn", 2, f"its ASC CDL is not kept: {why}")]


def test_a_bad_line_costs_only_itself():
    timeline = read(
        CUT,
        "*** \x00 (((( FROM CLIP NAME",
        "002  A001 V C 01:00:00:00 01:00:01:00 10:00:01:00",
        "* FROM CLIP NAME: belongs_to_the_bad_line",
        "M2 A001 fast 01:00:00:00",
        CUT.replace("001 ", "003 "),
    )
    assert [(event.number, event.clips) for event in timeline.events] == [("001", ()), ("003", ())]
    assert [(severity, line) for severity, line, _ in said(timeline)] == [("fail", 3), ("fail", 5)]
    assert "002 A001 V C" in timeline.remarks[0].what


def test_a_dissolve_extends_the_outgoing_event():
    timeline = read(
        "002  OLD  V C     01:00:04:14 01:00:04:14 01:00:00:09 01:00:00:09",
        "002  NEW  V D 010 02:00:08:08 02:00:08:18 01:00:00:09 01:00:00:19",
        "* FROM CLIP NAME: going",
        "* TO CLIP NAME: coming",
        "M2 OLD 048.0 01:00:04:14",
    )
    going, coming = timeline.events
    assert (going.clips, going.tail, going.m2) == (("going",), 10, 48)
    assert (coming.clips, coming.tail, coming.m2) == (("coming",), 0, None)
    assert said(timeline) == [("note", 2, "dissolve of 10 frames from event 002 (line 1)")]


def test_a_transition_from_nothing_is_reported():
    timeline = read("002  NEW  V W001 010 02:00:08:08 02:00:08:18 01:00:00:09 01:00:00:19")
    assert len(timeline.events) == 1
    assert said(timeline) == [("warn", 1, "wipe of 10 frames without an outgoing event")]


def test_events_without_a_plate_are_reported():
    timeline = read(
        CUT.replace(" V ", " AA "),
        CUT.replace("A001", "BL"),
        CUT.replace("01:00:01:00 ", "01:00:00:00 ", 1),
    )
    assert timeline.events == ()
    assert [what for _, _, what in said(timeline)] == [
        "sound only (AA): no plate",
        "black: no plate",
        "no length: no frame",
    ]


def test_the_counting_mode_holds_until_the_next():
    timeline = read("FCM: DROP FRAME", CUT, "FCM: NON-DROP FRAME", CUT)
    assert [event.drop_labels for event in timeline.events] == [True, False]


@pytest.mark.parametrize("speed", ["048.0", "-024.0", "000.0", "+23.976"])
def test_speeds(speed):
    assert read(CUT, f"M2   A001       {speed}                01:00:00:00").events[0].m2 == (
        Fraction(speed)
    )

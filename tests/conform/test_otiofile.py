"""OpenTimelineIO timelines, made with the library itself."""

from __future__ import annotations

import json
from fractions import Fraction

import opentimelineio as otio
import pytest

from gradeprep.conform import otiofile
from gradeprep.errors import RequestError


def span(start, length, rate=24.0):
    return otio.opentime.TimeRange(
        otio.opentime.RationalTime(start, rate), otio.opentime.RationalTime(length, rate)
    )


def read(*items, kind="Video"):
    track = otio.schema.Track(name="V1", kind=kind, children=list(items))
    timeline = otio.schema.Timeline(tracks=[track])
    return otiofile.read(timeline.to_json_string())


def clip(name="a", start=100, length=10, rate=24.0, **more):
    return otio.schema.Clip(name=name, source_range=span(start, length, rate), **more)


@pytest.mark.parametrize(
    ("given", "exact"),
    [
        (24000 / 1001, Fraction(24000, 1001)),
        (23.976, Fraction(24000, 1001)),
        (30000 / 1001, Fraction(30000, 1001)),
        (25.0, Fraction(25)),
        (48.0, Fraction(48)),
        (50.0, Fraction(50)),
        (60.0, Fraction(60)),
    ],
)
def test_rates_are_exact(given, exact):
    (event,) = read(clip(rate=given)).events
    assert event.rate == exact
    assert (event.start, event.end) == (100, 110)


def test_a_sequence_of_files_gives_frame_numbers_and_names():
    media = otio.schema.ImageSequenceReference(
        target_url_base="file:///plates/day_1/",
        name_prefix="quay_0100.",
        name_suffix=".exr",
        start_frame=1001,
        frame_zero_padding=4,
        rate=24.0,
        available_range=span(86400, 48),
    )
    (event,) = read(clip(start=86410, media_reference=media)).events
    assert (event.offset, event.first) == (10, 1011)
    assert event.clips == ("a", "quay_0100", "day_1")


def test_transitions_take_more_frames():
    fade = otio.schema.Transition(
        in_offset=otio.opentime.RationalTime(2, 24), out_offset=otio.opentime.RationalTime(3, 24)
    )
    timeline = read(clip("a"), fade, clip("b"))
    assert [(event.lead, event.tail) for event in timeline.events] == [(0, 3), (2, 0)]
    assert [remark.event for remark in timeline.remarks] == ["001", "002"]


def test_speed_and_freeze():
    twice = clip(effects=[otio.schema.LinearTimeWarp(time_scalar=2.0)])
    back = clip(effects=[otio.schema.LinearTimeWarp(time_scalar=-1.0)])
    still = clip(effects=[otio.schema.FreezeFrame()])
    assert [event.m2 for event in read(twice, back, still).events] == [48, -24, 0]


def test_a_cdl_and_a_reel():
    sop = {"slope": [2, 1, 1], "offset": [0, 0, 0], "power": [1, 1, 1]}
    kept = {"cdl": {"asc_sop": sop, "asc_sat": 0.5}, "cmx_3600": {"reel": "A001"}}
    (event,) = read(clip(metadata=kept)).events
    assert event.reel == "A001"
    assert (event.cdl.slope, event.cdl.saturation) == ((2.0, 1.0, 1.0), 0.5)
    bad = {"cdl": {"asc_sop": {"slope": [1]}}}
    assert [remark.severity for remark in read(clip(metadata=bad)).remarks] == ["warn"]


def test_sound_gaps_and_clips_without_range():
    assert read(clip(), kind="Audio").events == ()
    timeline = read(otio.schema.Gap(), otio.schema.Clip("bare"))
    assert [remark.severity for remark in timeline.remarks] == ["fail"]


def test_markers_of_a_later_version_do_not_matter():
    data = json.loads(
        otio.schema.Timeline(tracks=[otio.schema.Track(children=[clip()])]).to_json_string()
    )
    held = data["tracks"]["children"][0]["children"][0]
    held["markers"] = [{"OTIO_SCHEMA": "Marker.99", "name": "from tomorrow"}]
    assert len(otiofile.read(json.dumps(data)).events) == 1


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "[1]", "3", "null"),
        '{"OTIO_SCHEMA": "Clip.99"}',
        '{"OTIO_SCHEMA": "Clip.1", "effects": [{"OTIO_SCHEMA": "LinearTimeWarp.1"}]}',
    ],
)
def test_other_files_are_refused(text):
    with pytest.raises(RequestError, match=r"not (JSON|OpenTimelineIO)"):
        otiofile.read(text)

"""Lists that others wrote: each parses, and the adapters agree where they read them."""

from __future__ import annotations

from fractions import Fraction

import opentimelineio as otio
import pytest
from support import plates_folder

from gradeprep.conform.read import read_timeline
from gradeprep.model import timecode

# file: events, lines with a remark
GIVES = {
    "25fps.edl": (4, []),
    "cdl.edl": (2, [5, 11]),  # a power of 0 is no ASC CDL
    "dissolve_test.edl": (4, [6]),
    "dissolve_test_3.edl": (4, [9]),
    "dissolve_test_fail.edl": (4, [6]),  # the event's two lines have two numbers
    "multi_audio.edl": (0, [4]),
    "screening_example.edl": (9, []),
    "timecode_mismatch.edl": (20, []),
    "wipe_test.edl": (4, [6]),
    "sample.ale": (4, []),
    "sample_cdl.ale": (4, []),
    "clip_example.otio": (1, [None]),
    "multitrack.otio": (5, []),
    "screening_example.otio": (9, []),
    "simple_cut.otio": (4, []),
    "transition.otio": (4, [None, None]),
}


def read(name):
    return read_timeline(plates_folder() / "editorial" / name)


@pytest.mark.parametrize("name", GIVES)
def test_each_file_gives_what_it_holds(name):
    timeline = read(name)
    lines = [remark.line for remark in timeline.remarks]
    assert (len(timeline.events), lines) == GIVES[name]


def test_every_timeline_of_the_folder_is_listed():
    folder = plates_folder() / "editorial"
    found = {path.name for path in folder.iterdir() if path.suffix in (".edl", ".ale", ".otio")}
    assert found == GIVES.keys()


# The adapter of edit decision lists refuses these as a whole: one for a dissolve whose lines have
# two numbers, one for an event whose source is longer than its record.
REFUSED = ("dissolve_test_fail.edl", "timecode_mismatch.edl")


@pytest.mark.parametrize(
    "name", [name for name in GIVES if name.endswith((".edl", ".ale")) and name not in REFUSED]
)
def test_the_adapters_find_the_same_source_frames(name):
    rate = {"25fps.edl": 25, "sample_cdl.ale": 24}.get(name, 24)
    path = str(plates_folder() / "editorial" / name)
    arguments = {} if name.endswith(".ale") else {"rate": rate}
    theirs = otio.adapters.read_from_file(path, **arguments)
    clips = {
        (round(span.start_time.value), round(span.duration.value))
        for clip in theirs.find_clips()
        if (clip.parent() is None or getattr(clip.parent(), "kind", "Video") == "Video")
        for span in [clip.source_range]
    }
    ours = {
        (start, timecode.count(event.end, rate) - start)
        for event in read(name).events
        if not event.tail and (start := timecode.count(event.start, rate)) is not None
    }
    assert ours == clips


def test_a_log_keeps_its_cdl_and_exact_rate():
    events = read("sample_cdl.ale").events
    assert {event.rate for event in events} == {Fraction(24000, 1001)}
    assert events[0].cdl.slope == (0.8714, 0.9334, 0.9947)
    assert events[0].reel == "A005_C010_0501J0"

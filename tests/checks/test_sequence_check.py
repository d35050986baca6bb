"""The check of frames that are missing, torn, odd, frozen, black or wrongly labelled."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from fakeview import FakeView
from pydantic import ValidationError

from gradeprep.checks.sequence import Sequence, SequenceParams
from gradeprep.errors import TornFrameError
from gradeprep.model.frame import Layout, PartLayout
from gradeprep.model.timecode import label
from gradeprep.plugins.contracts import Check

CHECK = Sequence()


class Files(Mapping):
    """Pictures by frame; an error in the place of one is raised when it is read."""

    def __init__(self, pictures):
        self.pictures = pictures

    def __getitem__(self, frame):
        found = self.pictures[frame]
        if isinstance(found, Exception):
            raise found
        return found

    def __iter__(self):
        return iter(self.pictures)

    def __len__(self):
        return len(self.pictures)


def pictures(frames, value=0.18):
    return {n: np.full((4, 6, 3), value * (1 + 0.01 * (n % 97)), np.float32) for n in frames}


def layout(size=(6, 4), kind="half", window=None, **told):
    display = (0, 0, *size)
    part = PartLayout("", dict.fromkeys("RGB", kind), window or display, display)
    return Layout("exr", (part,), **told)


def plate(frames, *, layouts=None, **replaced):
    found = pictures(frames) | {int(n[1:]): picture for n, picture in replaced.items()}
    return FakeView(Files(found), layouts=layouts or {})


def told(view, **params):
    return [(f.severity, f.what) for f in CHECK.look(view, SequenceParams(**params))]


def test_keeps_the_contract():
    assert isinstance(CHECK, Check)


@pytest.mark.parametrize("frames", [range(1001, 1011), [7], range(1, 20, 2), [3, 9]])
def test_a_good_plate_has_no_findings(frames):
    assert told(plate(frames)) == []


@pytest.mark.parametrize(
    ("frames", "what"),
    [
        ([1, 2, 3, 6, 7, 8], "missing: frames 4-5"),
        ([1, 3, 5, 9, 11], "missing: frame 7"),
        ([1, 3, 5, 6, 7, 9, 11], "out of the step of 2: frames 6-7"),
    ],
)
def test_gaps_are_told_from_a_step(frames, what):
    assert told(plate(frames), on="fail") == [("fail", what)]


def test_frames_without_a_step_are_noted():
    ((severity, what),) = told(plate([1, 2, 5, 11]))
    assert severity == "note"
    assert "no even step" in what


def test_odd_frames_are_told_from_what_most_are():
    layouts = {1: layout((8, 4)), 2: layout(), 3: layout(), 4: layout(kind="float"), 5: layout()}
    findings = told(plate(range(1, 6), layouts=layouts))
    assert findings == [
        ("warn", "unlike the others (its size is 8 x 4, the others' is 6 x 4): frame 1"),
        ("warn", "unlike the others (its channel R is float, the others' is half): frame 4"),
    ]


def test_a_data_window_that_moves_is_a_note():
    layouts = {1: layout(), 2: layout(), 3: layout(window=(1, 1, 4, 2)), 4: layout()}
    assert told(plate(range(1, 5), layouts=layouts), on="fail") == [
        ("note", "the data window moves: frames 3-4")
    ]


def test_a_torn_frame_is_a_finding_and_fails():
    torn = TornFrameError("the file ends inside row 3", file="a.0003.exr")
    (finding,) = CHECK.look(plate(range(1, 6), _3=torn), SequenceParams(on="note"))
    assert (finding.severity, finding.frame) == ("fail", 3)
    assert finding.what == "cannot be read: the file ends inside row 3"
    assert finding.remedy == "copy the frame again"


def test_a_bug_is_no_torn_frame():
    with pytest.raises(ZeroDivisionError):
        told(plate(range(1, 6), _3=ZeroDivisionError()))


def test_frozen_frames_come_in_runs():
    held = np.full((4, 6, 3), 0.3, np.float32)
    again = np.full((4, 6, 3), 0.5, np.float32)
    view = plate(range(1, 10), _3=held, _4=held, _5=held, _8=again, _9=again)
    assert told(view) == [
        ("warn", "the same picture: frames 3-5"),
        ("warn", "the same picture: frames 8-9"),
    ]


def test_a_picture_that_comes_again_later_is_not_frozen():
    held = np.full((4, 6, 3), 0.3, np.float32)
    assert told(plate(range(1, 10), _3=held, _5=held)) == []


def test_black_frames_are_told_once():
    black = np.full((4, 6, 3), 0.18 * 2.0**-12.5, np.float32)
    view = plate(range(1, 10), _3=black, _4=black)
    assert told(view) == [("warn", "black: frames 3-4")]
    assert told(view, black=-13.0) == [("warn", "the same picture: frames 3-4")]


def labelled(labels, rate="24"):
    layouts = {n: layout(timecode=text, rate=rate) for n, text in labels.items()}
    return plate(layouts, layouts=layouts)


def running(frames, first=86_400, nominal=24):
    return {n: label(first + n - 1, nominal, drop=False) for n in frames}


def test_a_running_timecode_has_no_findings():
    assert told(labelled(running(range(1, 40)))) == []
    assert told(labelled(running(range(1, 40, 2)))) == []  # by the step of the frame numbers


def test_a_break_names_the_label_that_would_follow():
    labels = running(range(1, 6)) | {n: label(90_000 + n, 24, drop=False) for n in range(6, 9)}
    ((severity, what),) = told(labelled(labels))
    assert severity == "warn"
    assert what == "timecode breaks: frame 6 has 01:02:30:06, not 01:00:00:05"


def test_many_breaks_are_counted():
    labels = {n: label(100 * n, 24, drop=False) for n in range(1, 12)}
    ((_, what),) = told(labelled(labels))
    assert what.endswith("and 5 more")


def test_a_timecode_that_stands_still_is_one_finding():
    assert told(labelled(dict.fromkeys(range(1, 6), "01:00:00:00"))) == [
        ("warn", "the timecode stands still at 01:00:00:00")
    ]


def test_frames_without_the_label_of_the_others():
    labels = running(range(1, 8)) | {4: None}
    assert told(labelled(labels)) == [("warn", "no timecode, though others have one: frame 4")]


def test_without_a_rate_labels_are_noted_only():
    ((severity, what),) = told(labelled(running(range(1, 8)), rate=None))
    assert severity == "note"
    assert "no rate" in what


@pytest.mark.parametrize("wrong", [{"on": "stop"}, {"black": "dark"}, {"off": True}])
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        SequenceParams(**wrong)

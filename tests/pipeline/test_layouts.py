"""What headers of frames say, read as written, and the frames of one take kept together."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model import timecode
from gradeprep.model.frame import Layout, PartLayout
from gradeprep.model.framerange import FrameRange
from gradeprep.pipeline.layouts import Layouts

PART = PartLayout("", {"R": "half"}, (0, 0, 4, 3), (0, 0, 4, 3))
PLAIN = Layout("exr", (PART,))

labels = st.one_of(
    st.none(),
    st.sampled_from(["00:59:59:29", "01:00:00;02", "25:61:61:99", "what the camera said", ""]),
    st.builds("{:02d}:{:02d}:{:02d}:{:02d}".format, *(st.integers(0, 99),) * 4),
)
told = st.builds(
    Layout,
    st.just("exr"),
    st.sampled_from([(PART,), (replace(PART, data_window=(1, 1, 2, 2)),)]),
    labels,
    st.sampled_from([None, "24", "30000/1001", "60", "no rate"]),
)


@given(st.lists(told, min_size=1, max_size=12), st.integers(-5, 5), st.integers(1, 4))
def test_tells_back_what_each_frame_said(layouts, first, step):
    frames = FrameRange.of(range(first, first + step * len(layouts), step))
    kept = Layouts(frames, layouts)
    assert dict(kept) == dict(zip(frames, layouts, strict=True))
    assert len(kept) == len(layouts)


@pytest.mark.parametrize(
    ("rate", "nominal", "start", "drop"),
    [
        ("24", 24, "23:59:50:00", False),  # past midnight
        ("24000/1001", 24, "00:59:58:12", False),
        ("30000/1001", 30, "00:00:58;20", True),  # over a minute, where labels are left out
        ("50", 50, "10:00:00:00", False),
        (None, 24, "10:00:00:00", False),  # the usual rate is taken for one that is not told
    ],
)
@pytest.mark.parametrize("step", [1, 2])
def test_a_take_is_held_as_one(rate, nominal, start, drop, step):
    """Labels by SMPTE ST 12-1, as `gradeprep.model.timecode` counts them."""
    frames = FrameRange.of(range(1001, 1001 + 500 * step, step))
    zero = timecode.count(start, nominal)
    layouts = [
        replace(PLAIN, rate=rate, timecode=timecode.label(zero + n - 1001, nominal, drop=drop))
        for n in frames
    ]
    kept = Layouts(frames, layouts)
    assert list(kept.values()) == layouts
    assert len(kept._takes.distinct) == 1


def test_a_break_begins_a_new_take():
    said = ["01:00:00:00", "01:00:00:01", "01:00:00:05", "01:00:00:06"]
    layouts = [replace(PLAIN, timecode=label) for label in said]
    kept = Layouts(FrameRange.parse("1-4"), layouts)
    assert [layout.timecode for layout in kept.values()] == said
    assert len(kept._takes.distinct) == 2


def test_a_frame_that_is_not_there_says_nothing():
    kept = Layouts(FrameRange.parse("1-3x2"), [PLAIN, PLAIN])
    with pytest.raises(KeyError):
        kept[2]

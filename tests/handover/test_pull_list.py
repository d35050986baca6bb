"""Pull lists: a row an event, read by the standard library and by OpenTimelineIO's ALE adapter."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import opentimelineio as otio
import pytest
from handed import told
from support import write_exr

from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.cut import RateParams
from gradeprep.handover.pulllist import Ale, Csv
from gradeprep.model.documents.conform import EventDocument

LABELS = {1001 + n: f"10:00:00:{n:02d}" for n in range(10)}


def event(reel="A001"):
    return EventDocument(
        event="007", source=("10:00:00:02", "10:00:00:06"), rate="24", frames="1003-1006",
        record=("01:00:00:00", "01:00:00:04"), reel=reel, found="reel", handles=(2, 3),
    ).model_dump(mode="json", exclude_defaults=True)  # fmt: skip


def shot(folder, **more):
    return told(
        folder, LABELS, carried={"events": [event(**more)]}, stages={"pull": -2.0, "lift": 0.5}
    )


def test_a_row_has_what_a_department_needs(tmp_path):
    (document,) = Csv().make([shot(tmp_path)], RateParams(), "film")
    (row,) = csv.DictReader(io.StringIO(document.text))
    assert row == {
        "shot": "quay", "event": "007", "reel": "A001", "timecode in": "10:00:00:02",
        "timecode out": "10:00:00:06", "frames": "1003-1006", "handles": "2 3", "stops": "-2",
        "balance": "", "lift": "+0.5, below -3, softness +3", "clipped %": "0",
        "sidecar": str(tmp_path / "quay.stops.json"), "result": str(tmp_path / "quay.####.exr"),
    }  # fmt: skip
    path = tmp_path / document.name
    path.write_text(document.text, encoding="utf-8")
    assert document.prove(path) == "read back: 1 rows"
    path.write_text(document.text.replace("007", "008"), encoding="utf-8")
    with pytest.raises(WriteError, match="reads back as another list"):
        document.prove(path)


def test_a_reel_is_no_formula(tmp_path):
    (document,) = Csv().make([shot(tmp_path, reel="=1+1")], RateParams(), "film")
    (row,) = csv.DictReader(io.StringIO(document.text))
    assert row["reel"] == "'=1+1"


def test_another_reader_finds_the_rows_of_a_log(tmp_path):
    (document,) = Ale().make([shot(tmp_path)], RateParams(), "film")
    read = otio.adapters.read_from_string(document.text, "ale")
    (clip,) = read.find_clips()
    assert clip.name == "quay"
    assert clip.source_range == otio.opentime.TimeRange(
        otio.opentime.RationalTime(864_002, 24), otio.opentime.RationalTime(4, 24)
    )
    own = clip.metadata["ALE"]
    assert (own["Tape"], own["event"], own["stops"], own["frames"]) == (
        "A001", "007", "-2", "1003-1006",
    )  # fmt: skip


def test_a_rate_that_a_log_does_not_count(tmp_path):
    slow = told(tmp_path, {1001: None}, rate="18")
    with pytest.raises(RequestError, match="labels do not count 18 frames a second; ask for csv"):
        Ale().make([slow], RateParams(), "film")


def test_clipped_is_the_largest_share_of_a_frame(tmp_path):
    made = told(tmp_path, {1001: "10:00:00:00"}, pattern="{}.exr")
    (frame,) = made.record.frames
    counts = frame.finished.counts.model_copy(update={"clipped": {"R": 1, "G": 3}})
    frames = (frame.with_result(frame.finished.model_copy(update={"counts": counts})),)
    record = made.record.model_copy(update={"frames": frames})
    made = type(made)(record, made.sidecar, made.gains)
    (document,) = Csv().make([made], RateParams(), "film")
    (row,) = csv.DictReader(io.StringIO(document.text))
    assert row["clipped %"] == "unknown (no source to measure its size)"
    write_exr(Path(tmp_path, "quay.exr"), {c: np.zeros((10, 20), np.float16) for c in "RGB"})
    (document,) = Csv().make([made], RateParams(), "film")
    (row,) = csv.DictReader(io.StringIO(document.text))
    assert row["clipped %"] == "1.5"

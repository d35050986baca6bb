"""CMX3600 EDL of the source plates with ASC CDL notes, read by us and by another reader."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import opentimelineio as otio
import pytest
from handed import mend, told

from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.edl import Edl, EdlParams
from gradeprep.model import timecode
from gradeprep.model.documents.conform import CdlDocument, EventDocument
from gradeprep.plugins.contracts import Decided, Document, LeftOut


def plate(start: str, length: int, rate: str) -> dict[int, str]:
    nominal = round(Fraction(rate))
    begin = timecode.count(start, nominal)
    assert begin is not None
    drop = ";" in start
    return {1001 + i: timecode.label(begin + i, nominal, drop=drop) for i in range(length)}


def made(folder: Path, *shots: Decided, **params: object) -> Document:
    document, *_ = Edl().make(shots, EdlParams(**params), "film")
    assert isinstance(document, Document)
    path = folder / document.name
    path.write_text(document.text, encoding="utf-8")
    assert "label for label" in document.prove(path)
    return document


def event(number: str, frames: str, record: tuple[str, str], **more: object) -> dict[str, object]:
    told = EventDocument(
        event=number, source=("a", "b"), record=record, rate="24", frames=frames, found="reel",
        **more,
    )  # fmt: skip
    return told.model_dump(mode="json", exclude_defaults=True)


@pytest.mark.parametrize(
    ("rate", "start"),
    [("24", "01:00:00:00"), ("25", "10:00:00:00"), ("30000/1001", "00:59:59;20"),
     ("24000/1001", "02:00:00:00"), ("50", "01:00:00:40"), ("48", "03:00:00:00")],
)  # fmt: skip
def test_another_reader_finds_places_and_gains(rate, start, tmp_path):
    labels = plate(start, 20, rate)
    loft = told(tmp_path / "b", labels, name="loft", rate=rate, stages={"pull": -2.97})
    document = made(tmp_path, told(tmp_path / "a", labels, rate=rate), loft)
    timeline = otio.adapters.read_from_string(document.text, "cmx_3600", rate=float(Fraction(rate)))
    begin = timecode.count(start, round(Fraction(rate)))
    for index, (clip, stops) in enumerate(zip(timeline.find_clips(), (-2, -2.97), strict=True)):
        assert clip.source_range.start_time.value == begin
        assert clip.source_range.duration.value == 20
        assert clip.range_in_parent().start_time.value == 20 * index
        cdl = clip.metadata["cdl"]
        assert list(cdl["asc_sop"]["slope"]) == pytest.approx([2.0**stops] * 3, rel=1e-15)
        assert list(cdl["asc_sop"]["offset"]) == [0, 0, 0]
        assert cdl["asc_sat"] == 1


def test_it_names_the_source_and_says_what_must_not_be_done_twice(tmp_path):
    lines = made(tmp_path, told(tmp_path, plate("01:00:00:00", 4, "24"))).text.splitlines()
    assert lines[:8] == [
        "TITLE: film",
        "FCM: NON-DROP FRAME",
        "",
        "001  quay     V     C        01:00:00:00 01:00:00:04 01:00:00:00 01:00:00:04",
        "* FROM CLIP NAME: quay",
        "* SOURCE FILE: quay.####.exr",
        "* ASC_SOP (0.25 0.25 0.25)(0 0 0)(1 1 1)",
        "* ASC_SAT 1",
    ]
    assert lines[-2:] == [
        "* 24 FRAMES A SECOND, A LABEL EACH",
        "* ASC LINES BRING THE SOURCE PLATES BACK; NORMALIZED ONES HAVE THEM APPLIED",
    ]


def test_drop_frame_is_headed_so(tmp_path):
    shot = told(tmp_path, plate("00:59:59;20", 20, "30000/1001"), rate="30000/1001")
    text = made(tmp_path, shot).text
    assert "FCM: DROP FRAME" in text
    assert "00:59:59;20 01:00:00;10 01:00:00;00 01:00:00;20" in text


def test_what_came_with_an_event_is_passed_on_as_a_remark(tmp_path):
    cdl = CdlDocument(slope=(1.5, 1.0, 0.5), offset=(0.1, 0.0, 0.0), saturation=0.5)
    events = [
        event("007", "1003-1006", ("02:00:00:00", "02:00:00:04"), reel="A001 C002", cdl=cdl),
        event("009", "1001-1002", ("02:00:00:00", "02:00:00:02"), track="V2"),
    ]
    shot = told(tmp_path, plate("10:00:00:00", 8, "24"), carried={"events": events})
    document = made(tmp_path, shot)
    lines = document.text.splitlines()
    assert "007  A001_C002 V     C        10:00:00:02 10:00:00:06 02:00:00:00 02:00:00:04" in lines
    said = "(1.5 1 0.5)(0.10000000000000001 0 0)(1 1 1) 0.5"
    assert f"* CDL THAT CAME WITH THE EVENT, NOT APPLIED: {said}" in lines
    _, second = Edl().make([shot], EdlParams(), "film")
    assert isinstance(second, Document)
    assert second.name == "film.V2.edl"
    line = "009  quay     V     C        10:00:00:00 10:00:00:02 02:00:00:00 02:00:00:02"
    assert line in second.text.splitlines()


def test_a_gain_that_varies_leaves_the_event_without_a_cdl(tmp_path):
    shot = told(tmp_path, plate("10:00:00:00", 2, "24"))
    shot = Decided(shot.record, shot.sidecar, {1001: (0.5,) * 3, 1002: (0.25,) * 3})
    document, left_out = Edl().make([shot], EdlParams(), "film")
    assert isinstance(document, Document)
    assert isinstance(left_out, LeftOut)
    assert "ASC_SOP" not in document.text
    assert f"* NO ASC CDL: {left_out.why}" in document.text
    document = made(tmp_path, shot, frame=1001)
    assert "* ASC_SOP (0.5 0.5 0.5)" in document.text
    assert "* FRAME 1001 ONLY: the gain varies over 1001-1002" in document.text


def test_a_rate_that_no_label_counts(tmp_path):
    shot = told(tmp_path, {1001: None}, rate="18")
    with pytest.raises(RequestError, match="labels do not count 18 frames a second; ask for otio"):
        Edl().make([shot], EdlParams(), "film")


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("01:00:00:04 01:00:00:00", "01:00:00:05 01:00:00:00", "in another place"),
        ("(0.25 0.25 0.25)", "(0.25 0.25 0.26)", "another gain"),
        ("* ASC_SOP (0.25 0.25 0.25)(0 0 0)(1 1 1)\n* ASC_SAT 1\n", "", "another gain"),
        ("001  quay ", "001  kay  ", "in another place"),
        ("001  quay     V     C ", "001  quay     V     X ", "with 0 events: line 4: not an event"),
    ],
)
def test_a_file_that_says_anything_else_is_caught(old, new, why, tmp_path):
    document = made(tmp_path, told(tmp_path, plate("01:00:00:00", 4, "24")))
    mend(tmp_path / document.name, old, new)
    with pytest.raises(WriteError, match=why):
        document.prove(tmp_path / document.name)

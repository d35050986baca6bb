"""OTIO: normalized plates with exact rates and ranges, decisions beside them, in their cut."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import opentimelineio as otio
import pytest
from handed import mend, told

from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.cut import RateParams
from gradeprep.handover.timeline import Otio
from gradeprep.model import timecode
from gradeprep.model.documents.conform import CdlDocument, EventDocument
from gradeprep.plugins.contracts import Decided, Document


def plate(start: str, length: int, rate: str, first: int = 1001) -> dict[int, str]:
    nominal = round(Fraction(rate))
    begin = timecode.count(start, nominal)
    assert begin is not None
    return {
        first + index: timecode.label(begin + index, nominal, drop=";" in start)
        for index in range(length)
    }


def made(folder: Path, *shots: Decided, rate: str | None = None) -> tuple[Document, object]:
    (document,) = Otio().make(shots, RateParams(rate=rate), "film")
    assert isinstance(document, Document)
    assert document.name == "film.otio"
    path = folder / document.name
    path.write_text(document.text, encoding="utf-8")
    assert "OpenTimelineIO reads it back" in document.prove(path)
    return document, otio.adapters.read_from_file(str(path))


def event(number: str, frames: str, record: tuple[str, str], **more: object) -> dict[str, object]:
    told = EventDocument(
        event=number, source=("a", "b"), record=record, rate="24", frames=frames, found="reel",
        **more,
    )  # fmt: skip
    return told.model_dump(mode="json", exclude_defaults=True)


RATES = [
    ("24000/1001", "01:00:00:00"),
    ("24", "01:00:00:00"),
    ("25", "10:00:00:00"),
    ("30000/1001", "00:59:59;20"),
    ("30", "01:00:00:00"),
    ("48", "01:00:00:00"),
    ("50", "01:00:00:00"),
    ("60000/1001", "00:59:59;50"),
    ("60", "23:00:00:00"),
]


@pytest.mark.parametrize(("rate", "start"), RATES)
def test_rates_and_ranges_are_exact(rate, start, tmp_path):
    exact = Fraction(rate)
    shot = told(tmp_path, plate(start, 90, rate), rate=rate)
    document, timeline = made(tmp_path, shot)
    (clip,) = timeline.find_clips()
    for span in (clip.source_range, clip.media_reference.available_range):
        assert span.start_time.rate == span.duration.rate == float(exact)
        assert span.start_time.value == timecode.count(start, round(exact))
        assert span.duration.value == 90
    assert clip.metadata["gradeprep"]["rate"] == str(exact)
    assert clip.media_reference.rate == float(exact)
    assert not [note for note in document.notes if "timecode" in note]


def test_a_clip_plays_the_normalized_plate_and_knows_its_source(tmp_path):
    folder = tmp_path / "a b"
    shot = told(folder, plate("01:00:00:00", 3, "24"))
    for frame in (1001, 1002, 1003):
        (folder / "quay.####.exr").with_name(f"quay.{frame}.exr").touch()
    (folder / "quay.####.exr").touch()  # the sidecar of this test names it for every frame
    document, timeline = made(tmp_path, shot)
    assert document.notes == ()
    (clip,) = timeline.find_clips()
    references = clip.media_references()
    assert clip.active_media_reference_key == "normalized"
    assert set(references) == {"normalized", "source"}
    for key, where in (("normalized", folder), ("source", tmp_path / "hot")):
        urls = [references[key].target_url_for_image_number(index) for index in range(3)]
        assert urls == [(where / f"quay.{frame}.exr").as_uri() for frame in (1001, 1002, 1003)]


def test_decision_and_reading_are_told_once_and_nowhere_to_be_applied_again(tmp_path):
    shot = told(tmp_path, plate("01:00:00:00", 2, "24"))
    _, timeline = made(tmp_path, shot)
    (clip,) = timeline.find_clips()
    assert list(clip.metadata) == ["gradeprep"]
    own = clip.metadata["gradeprep"]
    assert own["applied_to"] == "normalized"
    assert own["stops"] == -2.0
    assert own["digest"] == shot.record.digest
    assert own["colour"]["working"] == "ACEScg"
    assert list(own["stages"][0]["numbers"]) == ["stops"]
    assert list(own["readings"]) == []
    assert not clip.effects


def test_runs_of_frames_are_clips_one_after_another(tmp_path):
    labels = plate("01:00:00:00", 30, "24")
    used = {frame: labels[frame] for frame in (*range(1001, 1005), *range(1021, 1031))}
    other = told(tmp_path / "b", plate("02:00:00:00", 5, "24"), name="loft")
    document, timeline = made(tmp_path, told(tmp_path / "a", used), other)
    found = [
        (clip.name, clip.source_range.start_time.value, clip.source_range.duration.value,
         clip.range_in_parent().start_time.value)
        for clip in timeline.find_clips()
    ]  # fmt: skip
    assert found == [
        ("quay", 86_400, 4, 0), ("quay", 86_420, 10, 4), ("loft", 172_800, 5, 14),
    ]  # fmt: skip
    assert timeline.global_start_time == otio.opentime.RationalTime(86_400, 24)
    assert document.notes == (
        "quay: 14 normalized frames are missing, from 1001",
        "loft: 5 normalized frames are missing, from 1001",
    )


def test_shots_stand_in_the_cut_they_were_conformed_from(tmp_path):
    cdl = CdlDocument(slope=(1.1, 1.0, 0.9), saturation=0.8)
    events = [
        event("002", "1011-1014", ("01:00:00:08", "01:00:00:12"), clip="quay wide", reel="A1"),
        event("004", "1003-1004", ("01:00:00:20", "01:00:00:22"), track="V2", cdl=cdl),
    ]
    quay = told(tmp_path / "a", plate("10:00:00:00", 20, "24"), carried={"events": events})
    first = event("001", "1001-1008", ("01:00:00:00", "01:00:00:08"))
    last = event("003", "1005-1006", ("86414", "86416"))
    loft = told(
        tmp_path / "b", plate("11:00:00:00", 20, "24"), name="loft",
        carried={"timeline": "cut.edl", "events": [last, first]},
    )  # fmt: skip
    _, timeline = made(tmp_path, quay, loft)
    tracks = {
        track.name: [
            (item.name, item.range_in_parent().start_time.value, item.duration().value)
            for item in track
        ]
        for track in timeline.tracks
    }
    assert tracks == {
        "V1": [("loft", 0, 8), ("quay wide", 8, 4), ("", 12, 2), ("loft", 14, 2)],
        "V2": [("", 0, 20), ("quay", 20, 2)],
    }
    wide, graded = (next(c for c in timeline.find_clips() if c.name == n)
                    for n in ("quay wide", "quay"))  # fmt: skip
    assert wide.metadata["gradeprep"]["reel"] == "A1"
    assert wide.source_range.start_time.value == timecode.count("10:00:00:10", 24)
    assert "cdl" not in wide.metadata
    assert graded.metadata["cdl"]["asc_sat"] == 0.8
    assert list(graded.metadata["cdl"]["asc_sop"]["slope"]) == [1.1, 1.0, 0.9]


def test_events_at_one_place_stand_on_tracks_of_their_own(tmp_path):
    events = [event(n, "1001-1004", ("01:00:00:00", "01:00:00:04")) for n in ("001", "002")]
    shot = told(tmp_path, plate("10:00:00:00", 8, "24"), carried={"events": events})
    _, timeline = made(tmp_path, shot)
    assert [len(track) for track in timeline.tracks] == [1, 1]


def test_what_the_cut_does_not_tell_is_noted(tmp_path):
    events = [
        event("001", "1001-1008", ("01:00:00:00", "01:00:00:04")),
        event("002", "1007-1012", ("01:00:00:04", "01:00:00:10")),
    ]
    shot = told(tmp_path, plate("10:00:00:00", 10, "24"), carried={"events": events})
    document, left_out = Otio().make([shot], RateParams(), "film")
    assert document.notes[0] == "event 002 uses frames of quay that were not normalized: 1011-1012"
    assert (left_out.shot, left_out.why) == (
        "quay",
        "event 001 has 8 source frames for 4 and no listed speed; list its speed and conform again",
    )
    own = json.loads(document.text)["metadata"]["gradeprep"]
    assert own["left_out"] == [f"quay: {left_out.why}"]


def test_a_shot_without_a_place_puts_all_in_a_row(tmp_path):
    events = [event("001", "1001-1008", ("01:00:00:00", "01:00:00:08")), "no event", {"event": 1}]
    quay = told(tmp_path / "a", plate("10:00:00:00", 8, "24"), carried={"events": events})
    loft = told(tmp_path / "b", plate("10:00:00:00", 8, "24"), name="loft", carried={"events": 3})
    document, timeline = made(tmp_path, quay, loft)
    assert document.notes[0] == "loft has no place in the cut: all stand one after another"
    assert [clip.name for clip in timeline.find_clips()] == ["quay", "loft"]


def test_one_file_without_a_number(tmp_path):
    shot = told(tmp_path, {1: "01:00:00:00"}, pattern="{}.exr")
    _, timeline = made(tmp_path, shot)
    (clip,) = timeline.find_clips()
    assert clip.media_reference.target_url == (tmp_path / "quay.exr").as_uri()


def test_several_rates_are_refused(tmp_path):
    shots = [
        told(tmp_path / rate, plate("01:00:00:00", 2, rate), name=f"s{rate}", rate=rate)
        for rate in ("24", "25")
    ]
    with pytest.raises(RequestError) as caught:
        Otio().make(shots, RateParams(), "film")
    assert str(caught.value) == (
        "the plates have several rates: 24 (s24), 25 (s25); a timeline has one; hand over the "
        "shots of each rate by themselves, with --shot"
    )


def test_a_label_that_no_timeline_has(tmp_path):
    events = [event("001", "1001-1002", ("01:00:00:24", "01:00:01:02"))]
    shot = told(tmp_path, plate("10:00:00:00", 2, "24"), carried={"events": events})
    with pytest.raises(RequestError, match="'01:00:00:24' is no place in a timeline of 24 frames"):
        Otio().make([shot], RateParams(), "film")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"value": 86400.0', '"value": 86401.0'),
        ('"start_frame": 1001', '"start_frame": 1002'),
        ('"rate": 24.0', '"rate": 23.976'),
        ('"stops": -2.0', '"stops": -2.1'),
        ('"normalized": {', '"other": {'),
    ],
)
def test_a_file_that_says_anything_else_is_caught(old, new, tmp_path):
    document, _ = made(tmp_path, told(tmp_path, plate("01:00:00:00", 2, "24")))
    path = tmp_path / document.name
    mend(path, old, new)
    with pytest.raises((WriteError, otio.exceptions.OTIOError)):
        document.prove(path)


def test_the_text_is_json_with_every_number_whole(tmp_path):
    shot = told(tmp_path, plate("01:00:00:00", 2, "24000/1001"), rate="24000/1001")
    document, _ = made(tmp_path, shot)
    told_ = json.loads(document.text)
    assert told_["global_start_time"]["rate"] == 24000 / 1001

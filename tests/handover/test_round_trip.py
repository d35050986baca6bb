"""A timeline that is conformed and handed over comes back equal, as OpenTimelineIO reads both."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import opentimelineio
import pytest
from corpus import BARS, FADE, GAP, Clock, Event, Tape, clip, otio, span, time, track, warp
from handed import told
from support import write_exr

from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.read import read_timeline
from gradeprep.conform.recipe import Source, recipe_text
from gradeprep.handover.cut import RateParams
from gradeprep.handover.edl import Edl, EdlParams
from gradeprep.handover.timeline import Otio
from gradeprep.model.yamltext import parse_yaml
from gradeprep.plugins.contracts import Document, LeftOut

CLOCK = Clock("24", 24)
QUAY = Tape("quay", "A001", CLOCK, "01:00:00:00")
LOFT = Tape("loft", "B001", CLOCK, "02:00:00:00")
HEAD = "TITLE: The Boat\nFCM: NON-DROP FRAME\n\n"
QUAY_CUT = "001  A001 V C 01:00:00:04 01:00:00:08 10:00:00:00 10:00:00:04\n* FROM CLIP NAME: quay\n"
AFTER = "003  A001 V C 01:00:00:00 01:00:00:04 10:00:00:14 10:00:00:18\n* FROM CLIP NAME: quay\n"
TURN = """002  A001 V C 01:00:00:08 01:00:00:08 10:00:00:04 10:00:00:04
002  B001 V {} 006 02:00:00:03 02:00:00:13 10:00:00:04 10:00:00:14
* FROM CLIP NAME: quay
* TO CLIP NAME: loft
"""
EDLS = {
    "cut": QUAY_CUT,
    "numbers": QUAY_CUT.replace("001 ", "017 ", 1),
    "dissolve": QUAY_CUT + TURN.format("D") + AFTER,
    "wipe": QUAY_CUT + TURN.format("W012") + AFTER,
    "fade in": QUAY_CUT  # the adapter reads no fade in at the very beginning
    + "002  BL V C 00:00:00:00 00:00:00:00 10:00:00:04 10:00:00:04\n"
    + "002  B001 V D 002 02:00:00:03 02:00:00:13 10:00:00:04 10:00:00:14\n"
    + "* TO CLIP NAME: loft\n",
    "fast": QUAY_CUT.replace("01:00:00:08", "01:00:00:12") + "M2   A001  048.0  01:00:00:04\n",
    "slow": QUAY_CUT.replace("01:00:00:08", "01:00:00:06") + "M2   A001  012.0  01:00:00:04\n",
    "freeze": QUAY_CUT.replace("01:00:00:08", "01:00:00:05")
    + "* FREEZE FRAME\nM2   A001  000.0  01:00:00:04\n",
    "reverse": QUAY_CUT.replace("01:00:00:08", "01:00:00:12") + "M2   A001  -048.0  01:00:00:04\n",
    "gap": QUAY_CUT + AFTER,
    "marker": QUAY_CUT + "* LOC: 10:00:00:02 RED     ANIM FIX\n* COMMENT: keep the wake\n",
    "black": QUAY_CUT + "002  BL V C 00:00:00:00 00:00:00:10 10:00:00:04 10:00:00:14\n" + AFTER,
}
SHOWN = [clip(Event(QUAY, 4, 8)), clip(Event(LOFT, 4, 8))]
OTIOS = {
    "cut": [track(*SHOWN)],
    "dissolve": [track(SHOWN[0], FADE, SHOWN[1])],
    "fast": [track(clip(Event(QUAY, 4, 8), **warp(2.0)))],
    "reverse": [track(clip(Event(QUAY, 4, 8), **warp(-1.0)))],
    "freeze": [track(clip(Event(QUAY, 4, 8), **warp(0.0, "FreezeFrame")))],
    "gap": [track(SHOWN[0], GAP, SHOWN[1])],
    "two tracks": [track(*SHOWN, name="main"), track(GAP, clip(Event(QUAY, 0, 3)), name="up")],
    "disabled": [track(SHOWN[0], clip(Event(LOFT, 0, 3), enabled=False), SHOWN[1])],
    "generator": [track(SHOWN[0], clip(Event(QUAY, 0, 5), media_reference=BARS))],
}


@pytest.fixture(scope="module")
def plates(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plates")
    for tape in (QUAY, LOFT):
        tape.write(folder)
    return folder


def shots(plates: Path, folder: Path, name: str, text: str):
    """Decisions with what the recipe of a timeline carries."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    found = gather(read_timeline(path), find_plates(plates))
    data, _ = parse_yaml(recipe_text(found, Source(path, folder, found.title)))
    tapes = {"quay": 1, "loft": 2}
    return [
        told(
            folder / shot,
            {1001 + n: f"{tapes[shot]:02d}:00:{n // 24:02d}:{n % 24:02d}" for n in range(48)},
            name=shot,
            carried=asked["carried"],
        )
        for shot, asked in data["shots"].items()
    ]


def flat(timeline):
    """What OpenTimelineIO reads: events, record and source ranges, effects, markers."""
    found = []
    for lane in timeline.video_tracks():
        items = []
        for item in lane:
            if isinstance(item, opentimelineio.schema.Transition):
                ends = item.in_offset.value, item.out_offset.value
                items.append((item.transition_type, *ends))
                continue
            kind = type(item).__name__
            start = item.source_range.start_time.value if kind == "Clip" else None
            warps = [one.time_scalar for one in item.effects]
            kept = [
                (one.name, one.color, one.marked_range.start_time.value) for one in item.markers
            ]
            where = item.range_in_parent()
            place = where.start_time.value, where.duration.value
            shown = item.name if kind == "Clip" else ""
            items.append((kind, shown, start, place, warps, kept, item.enabled))
        found.append(items)
    return found


def written(form, params, made, folder):
    documents = [one for one in form.make(made, params, "film") if isinstance(one, Document)]
    for one in documents:
        path = folder / one.name
        path.write_text(one.text, encoding="utf-8")
        one.prove(path)
    return documents


@pytest.mark.parametrize("name", EDLS)
def test_a_list_comes_back_as_it_went_in(name, plates, tmp_path):
    text = HEAD + EDLS[name]
    made = shots(plates, tmp_path, "cut.edl", text)
    (document,) = written(Edl(), EdlParams(), made, tmp_path)

    def read(text):
        return opentimelineio.adapters.read_from_string(text, "cmx_3600", rate=24)

    assert flat(read(document.text)) == flat(read(text))
    assert document.text.startswith("TITLE: The Boat\n")
    rows = re.compile(r"^(\d+)\s+(\S+)\s+V\s+(C|D|W\d+)\s+(\d+ )?(\S+) (\S+) (\S+) (\S+)$", re.M)
    assert rows.findall(_plain(document.text)) == rows.findall(_plain(text))
    assert [line.split()[1:3:1] for line in document.text.splitlines() if line[:2] == "M2"] == [
        [line.split()[1], _short(line.split()[2])] for line in text.splitlines() if line[:2] == "M2"
    ]


def _plain(text):
    return re.sub(" +", " ", text)


def _short(fps):
    return str(float(fps))


@pytest.mark.parametrize("name", EDLS)
def test_a_list_comes_back_as_a_timeline(name, plates, tmp_path):
    text = HEAD + EDLS[name]
    made = shots(plates, tmp_path, "cut.edl", text)
    (document,) = written(Otio(), RateParams(), made, tmp_path)
    ours = opentimelineio.adapters.read_from_string(document.text, "otio_json")
    theirs = opentimelineio.adapters.read_from_string(text, "cmx_3600", rate=24)
    assert ours.name == "The Boat"
    if name == "black":  # the adapter has a clip of a generator where ours is a gap
        assert [row[0] for row in flat(ours)[0]] == ["Clip", "Gap", "Clip"]
        return
    if name == "marker":  # the adapter keeps a label of the record, ours is in the source's time
        (marker,) = next(iter(ours.find_clips())).markers
        assert (marker.name, marker.color) == ("ANIM FIX", "RED")
        assert marker.marked_range.start_time.value == 86_400 + 6
        return
    assert flat(ours) == flat(theirs)


@pytest.mark.parametrize("name", OTIOS)
def test_a_timeline_comes_back_as_it_went_in(name, plates, tmp_path):
    text = otio(*OTIOS[name])
    made = shots(plates, tmp_path, "cut.otio", text)
    (document,) = written(Otio(), RateParams(), made, tmp_path)
    ours, theirs = (
        flat(opentimelineio.adapters.read_from_string(one, "otio_json"))
        for one in (document.text, text)
    )
    assert ours == theirs


@pytest.mark.parametrize("name", ["cut", "dissolve", "fast", "freeze", "gap", "two tracks"])
def test_a_timeline_comes_back_as_lists(name, plates, tmp_path):
    """Each track as the adapter itself writes and reads it."""
    text = otio(*OTIOS[name])
    made = shots(plates, tmp_path, "cut.otio", text)
    documents = written(Edl(), EdlParams(), made, tmp_path)
    theirs = opentimelineio.adapters.read_from_string(text, "otio_json")
    assert len(documents) == len(theirs.video_tracks())
    for document, lane in zip(documents, theirs.video_tracks(), strict=True):
        ours = opentimelineio.adapters.read_from_string(document.text, "cmx_3600", rate=24)
        events = [
            (c.source_range.start_time.value, c.source_range.duration.value,
             c.name, [one.time_scalar for one in c.effects])
            for c in ours.find_clips()
        ]  # fmt: skip
        # in a list, a transition begins at its cut
        shift = [2 if name == "dissolve" and n else 0 for n in range(9)]
        grown = [-2 if name == "dissolve" and not n else 2 * (name == "dissolve") for n in range(9)]
        wanted = [
            (c.source_range.start_time.value - shift[n], c.source_range.duration.value + grown[n],
             c.name, [one.time_scalar for one in c.effects])
            for n, c in enumerate(lane.find_clips())
        ]  # fmt: skip
        assert events == wanted


def test_a_nested_cut_comes_back_flat(plates, tmp_path):
    inner = {
        "OTIO_SCHEMA": "Stack.1",
        "source_range": span(4, 10, 24),
        "children": [track(clip(Event(QUAY, 0, 10)), clip(Event(LOFT, 0, 10)))],
    }
    text = otio(track(GAP, inner))
    text = json.dumps({**json.loads(text), "global_start_time": time(86_400, 24)})
    made = shots(plates, tmp_path, "cut.otio", text)
    (document,) = written(Otio(), RateParams(), made, tmp_path)
    read = opentimelineio.adapters.read_from_string(document.text, "otio_json")
    places = [
        (c.name, c.range_in_parent().start_time.value, c.duration().value)
        for c in read.find_clips()
    ]
    assert places == [("quay", 10, 6), ("loft", 16, 4)]


def test_what_a_list_does_not_hold_is_left_out_by_name(plates, tmp_path):
    effect = {"OTIO_SCHEMA": "Effect.1", "name": "flop", "effect_name": "flop"}
    text = otio(
        track(clip(Event(QUAY, 4, 8), effects=[effect]), SHOWN[1]),
        track(clip(Event(LOFT, 0, 3), enabled=False), name="off"),
    )
    made = shots(plates, tmp_path, "cut.otio", text)
    found = Edl().make(made, EdlParams(), "film")
    left_out = [(one.shot, one.why) for one in found if isinstance(one, LeftOut)]
    assert left_out == [
        ("quay", "event 001 has effects that an EDL does not hold: flop; ask for otio"),
        ("loft", "event 003 is disabled and has no lines in an EDL; ask for otio"),
    ]
    assert "* LEFT OUT: quay: event 001 has effects" in found[0].text


def test_the_reel_of_a_plate_without_an_event_is_that_of_its_header(tmp_path):
    shot = told(tmp_path / "back", {1001: "01:00:00:00"}, pattern="{}.exr")
    write_exr(
        tmp_path / "back" / "quay.exr",
        {c: np.zeros((2, 2), np.float16) for c in "RGB"},
        reelName="A007C012",
    )
    (document,) = Edl().make([shot], EdlParams(), "film")
    assert "\n001  A007C012 V     C " in document.text

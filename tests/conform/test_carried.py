"""What a recipe carries of a timeline: all that a hand-over needs to write it back."""

from __future__ import annotations

import json

import pytest
from corpus import BARS, FADE, GAP, Clock, Event, Tape, clip, otio, span, time, track, warp

from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.read import read_timeline
from gradeprep.conform.recipe import Source, recipe_text
from gradeprep.model.yamltext import parse_yaml

CLOCK = Clock("24", 24)
QUAY = Tape("quay", "A001", CLOCK, "01:00:00:00")
LOFT = Tape("loft", "B001", CLOCK, "02:00:00:00")


@pytest.fixture
def folder(tmp_path):
    for tape in (QUAY, LOFT):
        tape.write(tmp_path / "plates")
    return tmp_path


def carried(folder, name, text):
    """Events and events without a plate, as the recipe has them."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    found = gather(read_timeline(path), find_plates(folder / "plates"))
    data, _ = parse_yaml(recipe_text(found, Source(path, folder, found.title)))
    shots = [shot["carried"] for shot in data["shots"].values()]
    assert {shot["title"] for shot in shots} == {found.title}
    return (
        [event for shot in shots for event in shot["events"]],
        [other for shot in shots for other in shot.get("others", ())],
        found,
    )


EDL = """TITLE: The Boat
FCM: NON-DROP FRAME
000  BL V C 00:00:00:00 00:00:00:10 09:59:59:14 10:00:00:00
001  A001 V C 01:00:00:04 01:00:00:08 10:00:00:00 10:00:00:04
* FROM CLIP NAME: quay
* LOC: 10:00:00:02 RED     ANIM FIX
* COMMENT: keep the wake
M2   A001       048.0   01:00:00:04
002  A001 V C 01:00:00:12 01:00:00:12 10:00:00:04 10:00:00:04
002  B001 V W001 006 02:00:00:03 02:00:00:13 10:00:00:04 10:00:00:14
EFFECTS NAME IS LEFT WIPE
* FROM CLIP NAME: quay
* TO CLIP NAME: loft
003  BL V D 004 00:00:00:00 00:00:00:08 10:00:00:14 10:00:00:22
"""


def test_a_list_keeps_transitions_speeds_markers_and_notes(folder):
    events, others, found = carried(folder, "cut.edl", EDL)
    assert found.title == "The Boat"
    first, outgoing, incoming = events
    assert first["speed"] == "48"
    assert first["first"] == 1005
    assert first["markers"] == [{"start": "10:00:00:02", "name": "ANIM FIX", "colour": "RED"}]
    assert first["notes"] == ["* COMMENT: keep the wake"]
    assert (outgoing["event"], outgoing["record"][0], outgoing["tail"]) == ("002", "10:00:00:04", 6)
    assert incoming["enters"] == {"kind": "W001", "after": 6, "name": "LEFT WIPE"}
    assert incoming["tail"] == 4  # the fade to black after it
    assert [(one["event"], one["why"]) for one in others] == [("000", "black"), ("003", "black")]
    assert others[1]["enters"] == {"kind": "D", "after": 4}


def test_an_event_without_a_plate_stays_in_the_cut(folder):
    text = EDL.replace("* TO CLIP NAME: loft", "* TO CLIP NAME: mast")
    _, others, _ = carried(folder, "cut.edl", text)
    missing = next(one for one in others if one["why"] == "no plate")
    assert (missing["event"], missing["clip"], missing["reel"]) == ("002", "mast", "B001")


def test_a_timeline_keeps_gaps_generators_disabled_clips_and_metadata(folder):
    marker = {"OTIO_SCHEMA": "Marker.2", "name": "look", "color": "GREEN", "metadata": {"k": 1}}
    marker["marked_range"] = span(90, 2, 24)
    shown = clip(Event(QUAY, 4, 8), markers=[marker], **warp(0.0, "FreezeFrame"))
    shown["metadata"]["editor"] = {"note": "é", "bad": float("inf")}
    shown["effects"].append({"OTIO_SCHEMA": "Effect.1", "name": "flop", "effect_name": "flop"})
    text = otio(
        track(GAP, shown, FADE, clip(Event(LOFT, 4, 8)), name="main"),
        track(clip(Event(LOFT, 0, 3), enabled=False), name="off"),
        track(clip(Event(QUAY, 0, 5), media_reference=BARS), name="bars"),
    )
    events, others, found = carried(folder, "cut.otio", text)
    first, second = events
    assert first["record"] == ["10", "14"]
    assert first["speed"] == "0"
    assert first["effects"] == ["flop"]
    assert first["markers"] == [
        {"start": "90", "length": 2, "name": "look", "colour": "GREEN", "metadata": {"k": 1}}
    ]
    assert first["metadata"]["editor"] == {"note": "é", "bad": "inf"}
    assert (first["track"], first.get("lane", 0), first["tail"]) == ("main", 0, 3)
    assert second["enters"] == {"kind": "SMPTE_Dissolve", "before": 2, "after": 3}
    assert second["lead"] == 2
    assert [(one["why"], one["track"], one.get("lane", 0), one["record"]) for one in others] == [
        ("gap", "main", 0, ["0", "10"]),
        ("disabled", "off", 1, ["0", "3"]),
        ("generator", "bars", 2, ["0", "5"]),
    ]
    off = [str(one) for one in found.remarks if one.severity == "warn" and "disabled" in one.what]
    assert off == ["event 003: disabled: left out (loft)"]


def test_a_nested_cut_stands_where_it_plays(folder):
    inner = {
        "OTIO_SCHEMA": "Stack.1",
        "source_range": span(4, 10, 24),
        "children": [track(clip(Event(QUAY, 0, 10)), clip(Event(LOFT, 0, 10)))],
    }
    text = otio(track(GAP, inner))
    text = json.dumps({**json.loads(text), "global_start_time": time(86_400, 24)})
    events, _, _ = carried(folder, "cut.otio", text)
    assert [(one["clip"], one["record"], one["frames"]) for one in events] == [
        ("quay", ["86410", "86416"], "1005-1010"),
        ("loft", ["86416", "86420"], "1001-1004"),
    ]


def test_metadata_that_no_recipe_carries_is_reported(folder):
    large = clip(Event(QUAY, 4, 8))
    large["metadata"]["app"] = {"blob": "x" * 5000}
    events, _, found = carried(folder, "cut.otio", otio(track(large)))
    assert "metadata" not in events[0]
    assert "its metadata is larger than a recipe carries: left out" in str(found.remarks)

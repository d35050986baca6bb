"""``gradeprep conform``: a list in, a recipe out that runs."""

from __future__ import annotations

import json
import sys
from collections import Counter

import jsonschema
import numpy as np
import OpenEXR
import pytest
from filmed import edl, write_plate
from support import run, snapshot

from gradeprep import sidecar
from gradeprep.conform.decision import decisions_in
from gradeprep.model import timecode
from gradeprep.model.framerange import FrameRange
from gradeprep.pipeline.recipefile import read_recipe

CUT = "001  A001 V C 01:00:00:04 01:00:00:08 10:00:00:00 10:00:00:04"
CDL = "*ASC_SOP (0.9 1.0 1.1)(0.0 -0.01 0.0)(1.0 1.0 1.2)"


def conform(capsys, folder, *arguments):
    timeline = next(path for path in folder.iterdir() if path.suffix in (".edl", ".otio", ".ale"))
    return run(
        capsys, "conform", timeline, "--plates", folder, "-o", folder / "cut.yaml", *arguments
    )


def pixels(path):
    with OpenEXR.File(str(path), separate_channels=True) as file:
        return {name: channel.pixels for name, channel in file.channels().items()}


def test_the_recipe_names_its_events_and_runs(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT, CDL, "* FROM CLIP NAME: quay")
    ran = conform(capsys, tmp_path, "--handles", 2, "--space", "ACEScg")
    assert ran.code == 0, ran
    assert "quay  1003-1010  events 001" in ran.out
    text = (tmp_path / "cut.yaml").read_text(encoding="utf-8")
    span = "01:00:00:04 to 01:00:00:08, frames 1005-1008, handles 2 and 2"
    assert f"    # event 001 (line 3), quay: {span}" in text
    assert run(capsys, "run", tmp_path / "cut.yaml", "--quiet").code == 0
    out = tmp_path / "normalized/quay"
    assert sorted(path.name for path in out.glob("*.exr"))[::7] == [
        "quay.1003.exr",
        "quay.1010.exr",
    ]
    # the grade came along in the sidecar and was not applied
    (event,) = sidecar.load(out / "quay.stops.json").carried["events"]
    assert event["cdl"]["slope"] == [0.9, 1.0, 1.1]
    assert np.all(pixels(out / "quay.1005.exr")["R"] == np.float16(0.5))


def test_the_document_is_as_its_schema_says(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT, CUT.replace("A001", "B777"))
    ran = conform(capsys, tmp_path, "--json")
    assert ran.code == 1  # one event found nothing; the recipe serves the other
    document = json.loads(ran.out)
    jsonschema.validate(document, json.loads(run(capsys, "schema", "conform").out))
    assert document["frames"] == {"quay": "1005-1008"}
    assert document["remarks"][0]["line"] == 4
    assert "line 4, event 001: no plate" in ran.err
    assert list(read_recipe(tmp_path / "cut.yaml").shots) == ["quay"]


def test_a_list_that_finds_nothing_writes_nothing(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT.replace("A001", "B777"))
    ran = conform(capsys, tmp_path)
    assert (ran.code, (tmp_path / "cut.yaml").exists()) == (2, False)
    assert "line 3, event 001: no plate" in ran.err
    assert "no event finds a frame" in ran.err


def test_an_existing_recipe_is_kept(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT)
    (tmp_path / "cut.yaml").write_text("mine")
    before = snapshot(tmp_path)
    ran = conform(capsys, tmp_path)
    assert ran.code == 2
    assert "exists already; use --update for a changed cut, or --overwrite" in ran.err
    assert snapshot(tmp_path) == before
    assert conform(capsys, tmp_path, "--overwrite").code == 0


@pytest.mark.parametrize(
    "name", ["089", "1e5", "on", "null", "it's 'quoted' \"so\"", "#1: {a}", "ünï\x85cödé", "- x"]
)
def test_names_that_yaml_would_read_as_another_type(name, tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT, f"* FROM CLIP NAME: {name}")
    assert conform(capsys, tmp_path, "--by-timecode").code == 0
    (shot,) = read_recipe(tmp_path / "cut.yaml").shots.values()
    assert shot.carried["events"][0]["clip"] == name.replace("\x85", " ")


def test_bytes_that_are_not_text_do_no_harm(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT)
    with (tmp_path / "cut.edl").open("ab") as file:
        file.write(b"* \xff\x00\xfe COMMENT: \xe9t\xe9\r\n")
    assert conform(capsys, tmp_path).code == 0


def test_a_dpx_plate_stays_dpx(tmp_path, capsys):
    write_plate(tmp_path, "A001", kind="dpx")
    edl(tmp_path / "cut.edl", CUT)
    assert conform(capsys, tmp_path, "--space", "ACEScct").code == 0
    assert run(capsys, "run", tmp_path / "cut.yaml", "--quiet").code == 0
    assert len(list((tmp_path / "normalized/A001").glob("*.dpx"))) == 4


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--rate", "fast"], "'fast' is not a rate"),
        (["--decision", "none.cc"], "none.cc: no such file"),
        (["--handles", "-1"], "-1"),
    ],
)
def test_wrong_requests(arguments, message, tmp_path, capsys):
    write_plate(tmp_path, "A001")
    edl(tmp_path / "cut.edl", CUT)
    ran = conform(capsys, tmp_path, *arguments)
    assert ran.code == 2
    assert message in ran.err


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("cut.txt", "", "'.txt' is not a timeline"),
        ("cut.edl", "TITLE: nothing\n", "no event of a CMX3600 timeline in it"),
        ("cut.otio", "{\n\n!", "line 3: not JSON"),
        ("cut.ale", "Heading\n", "no line of column names"),
    ],
)
def test_files_of_other_kinds(name, content, message, tmp_path, capsys):
    (tmp_path / name).write_text(content)
    ran = run(capsys, "conform", tmp_path / name, "--plates", tmp_path, "-o", tmp_path / "r.yaml")
    assert ran.code == 2
    assert f"{name}: " in ran.err
    assert message in ran.err


def test_a_missing_extra_is_one_clear_line(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "opentimelineio", None)
    monkeypatch.delitem(sys.modules, "gradeprep.conform.otiofile", raising=False)
    monkeypatch.delattr("gradeprep.conform.otiofile", raising=False)
    (tmp_path / "cut.otio").write_text("{}")
    ran = conform(capsys, tmp_path)
    assert ran.code == 2
    assert ran.err.strip().endswith("pip install 'gradeprep[conform]'")
    assert len(ran.err.splitlines()) == 1


# ---------------------------------------------------------------- a decision comes back


def ccc(path, **slopes):
    corrections = "".join(
        f'<ColorCorrection id="{name}"><SOPNode><Slope>{slope}</Slope><Offset>0 0 0</Offset>'
        "<Power>1 1 1</Power></SOPNode></ColorCorrection>"
        for name, slope in slopes.items()
    )
    path.write_text(f"<ColorCorrectionCollection>{corrections}</ColorCorrectionCollection>")
    return path


def test_a_decision_becomes_balance_and_pull(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT)
    file = ccc(tmp_path / "a.ccc", any="0.5 0.25 0.125")
    assert conform(capsys, tmp_path, "--decision", file, "--space", "ACEScg").code == 0
    assert "balance: {stops: [1.0, 0.0, -1.0]}" in (tmp_path / "cut.yaml").read_text()
    assert run(capsys, "run", tmp_path / "cut.yaml", "--quiet").code == 0
    got = pixels(tmp_path / "normalized/quay/quay.1005.exr")
    assert [float(got[name][0, 0]) for name in "RGB"] == [0.25, 0.125, 0.0625]


def test_several_decisions_go_by_shot(tmp_path, capsys):
    for reel, name in (("A001", "quay"), ("B001", "loft"), ("C001", "slip")):
        write_plate(tmp_path, name, reel=reel)
    edl(tmp_path / "cut.edl", *(CUT.replace("A001", reel) for reel in ("A001", "B001", "C001")))
    file = ccc(tmp_path / "a.ccc", quay="0.5 0.5 0.5", loft="0.25 0.25 0.25")
    ran = conform(capsys, tmp_path, "--decision", file)
    assert ran.code == 0
    assert "a.ccc has no correction for slip" in ran.err
    shots = read_recipe(tmp_path / "cut.yaml").shots
    pulls = {name: shot.stages[-1].params.stops for name, shot in shots.items()}
    assert pulls == {"quay": -1.0, "loft": -2.0, "slip": 0.0}


def test_a_decision_that_is_more_is_refused(tmp_path, capsys):
    write_plate(tmp_path, "A001")
    edl(tmp_path / "cut.edl", CUT)
    file = ccc(tmp_path / "a.ccc", quay="-1 1 1")
    ran = conform(capsys, tmp_path, "--decision", file)
    assert ran.code == 2
    assert "correction 'quay' is not a legal ASC CDL: slope -1 is negative" in ran.err
    assert not (tmp_path / "cut.yaml").exists()


def test_a_list_with_asc_notes_decides_by_its_events(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    write_plate(tmp_path, "loft", reel="B001")
    lines = [CUT, "*ASC_SOP (0.5 0.25 0.125)(0 0 0)(1 1 1)", CUT.replace("A001", "B001")]
    edl(tmp_path / "cut.edl", *lines)
    kept = conform(capsys, tmp_path, "--space", "ACEScg")
    assert "note  the ASC CDL of 1 events is kept in the recipe, not applied" in kept.err
    ran = conform(capsys, tmp_path, "--decision", tmp_path / "cut.edl", "--overwrite")
    assert ran.code == 0, ran
    assert "note  cut.edl is applied as balance and pull to 1 of 2 shots" in ran.err
    assert "warn  cut.edl has no correction for loft" in ran.err
    assert "not applied" not in ran.err
    stages = read_recipe(tmp_path / "cut.yaml").shots["quay"].stages
    assert [stage.params.stops for stage in stages] == [(1.0, 0.0, -1.0), -2.0]


def test_events_that_decide_differently_about_a_shot(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    second = CUT.replace("001  ", "002  ").replace(":04 01", ":06 01")
    sop = "*ASC_SOP ({0} {0} {0})(0 0 0)(1 1 1)"
    edl(tmp_path / "cut.edl", CUT, sop.format(0.5), second, sop.format(0.25))
    ran = conform(capsys, tmp_path, "--decision", tmp_path / "cut.edl")
    assert ran.code == 2
    assert "events 001, 002 decide differently about shot 'quay'" in ran.err


def test_a_grade_in_a_list_is_not_a_decision(tmp_path, capsys):
    write_plate(tmp_path, "quay", reel="A001")
    edl(tmp_path / "cut.edl", CUT, CDL)
    ran = conform(capsys, tmp_path, "--decision", tmp_path / "cut.edl")
    assert ran.code == 2
    assert "event 001 has an offset of 0 -0.01 0: not a plain gain" in ran.err


@pytest.mark.parametrize("form", ["edl", "otio", "ccc", "cdl", "cc", "clf"])
def test_a_hand_over_decides_again(form, tmp_path, capsys):
    for reel, name in (("A001", "quay"), ("B001", "loft")):
        write_plate(tmp_path, name, reel=reel)
    edl(tmp_path / "cut.edl", CUT, CUT.replace("A001", "B001"))
    file = ccc(tmp_path / "a.ccc", quay="0.5 0.25 0.125", loft="0.25 0.25 0.25")
    assert conform(capsys, tmp_path, "--decision", file, "--space", "ACEScg").code == 0
    assert run(capsys, "run", tmp_path / "cut.yaml", "--quiet").code == 0
    handed = tmp_path / "handed"
    ran = run(capsys, "handover", tmp_path / "cut.yaml", "--as", form, "-o", handed)
    assert ran.code == 0, ran
    decision = handed if form in ("cc", "clf") else next(handed.glob(f"*.{form}"))
    ran = run(capsys, "conform", tmp_path / "cut.edl", "--plates", tmp_path, "--exclude",
              "normalized", "-o", tmp_path / "again.yaml", "--decision", decision)  # fmt: skip
    assert ran.code == 0, ran
    before, after = (read_recipe(tmp_path / name).shots for name in ("cut.yaml", "again.yaml"))
    for name, shot in before.items():
        wanted = [(it.stage, pytest.approx(it.params.stops, abs=1e-6)) for it in shot.stages]
        assert [(it.stage, it.params.stops) for it in after[name].stages] == wanted


# ---------------------------------------------------------------- forty events of one film

SHOTS = {"slipway": "A001_C001", "loft": "A001_C002", "quay": "A002_C001", "launch": "A002_C002"}
HANDLES, LENGTH = 8, 48


def film(folder):
    """Four takes of a boat builder's film, and a cut of forty events from them."""
    lines, uses = [], []
    for index, (name, reel) in enumerate(SHOTS.items()):
        start = f"{index + 9:02d}:59:59:12"
        write_plate(folder / "plates" / name, name, start, frames=LENGTH, reel=reel)
    for number in range(1, 41):
        index = number * 7 % 4
        name = list(SHOTS)[index]
        begin = number * 5 % 30
        length = 4 + number % 9
        first = timecode.count(f"{index + 9:02d}:59:59:12", 24) + begin
        record = timecode.count("10:00:00:00", 24) + sum(use[2] for use in uses)
        points = (first, first + length, record, record + length)
        labels = " ".join(timecode.label(point, 24, drop=False) for point in points)
        lines += [f"{number:03d}  {SHOTS[name]} V     C        {labels}"]
        lines += [f"* FROM CLIP NAME: {name}"]
        uses.append((name, 1001 + begin, length))
    return edl(folder / "film.edl", *lines), uses


def test_a_film_of_forty_events_from_list_to_plates_and_back(tmp_path, capsys):
    list_file, uses = film(tmp_path)
    recipe = tmp_path / "film.yaml"
    file = ccc(
        tmp_path / "film.ccc", **{name: f"{2.0**-n} " * 3 for n, name in enumerate(SHOTS, 1)}
    )
    command = ["conform", list_file, "--plates", tmp_path / "plates", "--decision", file]
    ran = run(capsys, *command, "--handles", HANDLES, "--space", "ACEScg", "-o", recipe)
    assert ran.code == 0, ran
    assert "40 of 40 events, 4 shots" in ran.out

    expected = {name: set() for name in SHOTS}
    for name, first, length in uses:
        wanted = range(first - HANDLES, first + length + HANDLES)
        expected[name] |= {frame for frame in wanted if 1001 <= frame < 1001 + LENGTH}
    assert {n: str(s.frames) for n, s in read_recipe(recipe).shots.items()} == {
        name: str(FrameRange.of(frames)) for name, frames in expected.items()
    }

    assert run(capsys, "run", recipe, "--quiet").code == 0
    events = Counter()
    for stops, name in enumerate(SHOTS, 1):
        out = tmp_path / "normalized" / name
        record = sidecar.load(out / f"{name}.stops.json")
        assert [done.number for done in record.frames] == sorted(expected[name])  # each once
        assert {done.stops for done in record.frames} == {-float(stops)}
        for done in record.frames:
            assert np.all(pixels(out / done.result)["G"] == np.float16(2.0**-stops / 2))
        events.update(event["event"] for event in record.carried["events"])
        assert run(capsys, "audit", out / f"{name}.stops.json").code == 0
    assert events == Counter(f"{number:03d}" for number in range(1, 41))
    _way_back(capsys, tmp_path, uses)


def _way_back(capsys, folder, uses):
    """The cut handed over on its normalized plates finds the same frames; so do its decisions."""
    ran = run(capsys, "handover", folder / "film.yaml", "--as", "otio,ccc", "-o", folder / "handed")
    assert ran.code == 0, ran
    (back,) = (folder / "handed").glob("*.otio")
    (decisions,) = (folder / "handed").glob("*.ccc")
    ran = run(capsys, "conform", back, "--plates", folder / "normalized",
              "-o", folder / "back.yaml", "--json")  # fmt: skip
    assert ran.code == 0, ran
    document = json.loads(ran.out)
    assert document["remarks"] == []
    found = Counter(
        (name, event["frames"]) for name, events in document["shots"].items() for event in events
    )
    assert found == Counter((name, f"{first}-{first + length - 1}") for name, first, length in uses)
    assert decisions_in(decisions) == {
        name: pytest.approx((-stops,) * 3, abs=1e-6) for stops, name in enumerate(SHOTS, 1)
    }

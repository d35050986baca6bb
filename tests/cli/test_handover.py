"""``gradeprep handover`` at the command line: what it writes, tells and refuses."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import opentimelineio as otio
import pytest
from filmed import edl, write_plate
from handed import normalized
from support import plates_folder, run, snapshot

from gradeprep import sidecar
from gradeprep.conform.decision import decisions_in
from gradeprep.handover import deliver
from gradeprep.model import timecode
from gradeprep.plugins.registry import installed

PULL = {"pull": {"stops": -2.0}}
LIFT = {"lift": {"stops": 0.5, "below": -3.0, "softness": 3.0}}
DRIFT = {"pull": {"stops": {1001: -2.0, 1002: -1.0}}}


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OCIO", raising=False)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_all_forms_of_one_shot_are_written_proved_and_told(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL)
    before = snapshot(tmp_path / "hot", tmp_path / "back")
    ran = run(capsys, "handover", path, "-o", tmp_path / "out")
    assert (ran.code, ran.err) == (0, "")
    wanted = ["quay.amf", "quay.cc", "quay.ccc", "quay.cdl", "quay.clf", "quay.otio"]
    assert names(tmp_path / "out") == wanted
    lines = ran.out.splitlines()
    assert lines[:2] == [
        str(tmp_path / "out" / "quay.cc"),
        "  OpenColorIO reads it back, within 0e+00 of the product up to 128",
    ]
    assert "  OpenTimelineIO reads it back: 1 clips, rate 24 exact" in lines
    assert not [line for line in lines if "left out" in line or "note" in line]
    assert snapshot(tmp_path / "hot", tmp_path / "back") == before


def test_the_document_follows_its_schema(tmp_path, capsys):
    path = normalized(capsys, tmp_path, LIFT, DRIFT)
    ran = run(capsys, "handover", path, "--json")
    assert ran.code == 0, ran
    told = json.loads(ran.out)
    schema = json.loads(run(capsys, "schema", "handover").out)
    jsonschema.Draft202012Validator(schema).validate(told)
    assert [(one["form"], one["shots"]) for one in told["files"]] == [("otio", ["quay"])]
    assert {one["form"] for one in told["left_out"]} == {"cc", "ccc", "cdl", "clf", "amf"}
    assert {one["shot"] for one in told["left_out"]} == {"quay"}


def test_a_recipe_hands_over_all_its_shots(tmp_path, capsys):
    normalized(capsys, tmp_path, PULL, name="loft")
    normalized(capsys, tmp_path, LIFT, PULL, name="quay")
    both = tmp_path / "film.yaml"
    text = (tmp_path / "quay.yaml").read_text(encoding="utf-8")
    loft = (tmp_path / "loft.yaml").read_text(encoding="utf-8").partition("shots:\n")[2]
    both.write_text(text + loft, encoding="utf-8")
    ran = run(capsys, "handover", both, "--as", "ccc,otio")
    assert ran.code == 0, ran
    out = tmp_path / "handover"
    assert names(out) == ["film.ccc", "film.otio"]
    note = "  note: quay: PART ONLY: the shot's lift is not a gain and is not in it"
    assert note in ran.out.splitlines()
    assert decisions_in(out / "film.ccc") == {"quay": (-2.0,) * 3, "loft": (-2.0,) * 3}
    ran = run(capsys, "handover", both, "--as", "cc", "--shot", "loft", "-o", tmp_path / "one")
    assert ran.code == 0, ran
    assert names(tmp_path / "one") == ["loft.cc"]
    paths = [tmp_path / "back" / name / f"{name}.stops.json" for name in ("loft", "quay")]
    ran = run(capsys, "handover", *paths, "--as", "ccc", "-o", tmp_path / "two")
    assert ran.code == 0, ran
    assert names(tmp_path / "two") == ["handover.ccc"]


def test_what_was_asked_for_by_name_and_cannot_be_had_is_a_failure(tmp_path, capsys):
    path = normalized(capsys, tmp_path, DRIFT)
    ran = run(capsys, "handover", path, "--as", "cc,otio")
    assert ran.code == 1
    assert ran.err == (
        "gradeprep: cc: quay: its gain varies over the frames, from -2 to -1 stops, and the form "
        "holds one number; say --frame N for that of one frame\n"
    )
    assert names(path.parent / "handover") == ["quay.otio"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--as", "zip"],
         "no handover is called 'zip'; known: ale, amf, cc, ccc, cdl, clf, csv, edl, otio"),
        (["--as", ""], "'' is no list of forms such as ccc,clf,otio"),
        (["--as", "cc", "--space", "ACEScct"],
         "--space: none of cc takes it; leave it out, or ask for another form"),
        (["--as", "clf", "--space", "ACEScg"],
         "--space: 'ACEScg' is not log (encoding: scene-linear); leave it out for a matrix of "
         "light, or name a log space: "),
        (["--as", "clf", "--space", "ACESct"], "has no space or role 'ACESct'; did you mean"),
        (["--as", "amf", "--xsd", "nowhere"],
         "nowhere/acesMetadataFile.xsd: --xsd: there is no such schema; name the folder that"),
        (["--shot", "quay"], "--shot is for a recipe; name the sidecars that are wanted"),
        (["--frame", "one"], "'one' is not a valid integer"),
        (["--clip", "both"], "'both' is not one of 'source', 'normalized'"),
    ],
)  # fmt: skip
def test_wrong_requests_touch_nothing(options, message, tmp_path, capsys, monkeypatch):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    monkeypatch.chdir(tmp_path)
    before = snapshot(tmp_path)
    ran = run(capsys, "handover", path, *options)
    assert ran.code == 2
    assert message in ran.err
    assert snapshot(tmp_path) == before


def test_arguments_that_are_none(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    recipe = tmp_path / "quay.yaml"
    for arguments, message in (
        ([], "Missing argument 'SIDECAR|RECIPE'"),
        ([path, recipe], "give sidecars (*.stops.json), or one recipe"),
        ([recipe, recipe], "give sidecars (*.stops.json), or one recipe"),
        ([path, path], f"{path} also describes a shot 'quay'; hand them over one by one"),
        ([tmp_path / "no.stops.json"], "no such sidecar"),
        ([tmp_path / "no.yaml"], "there is no such recipe"),
        ([recipe, "--shot", "loft"], "the recipe has no shot 'loft'; it has quay"),
    ):
        ran = run(capsys, "handover", *arguments)
        assert ran.code == 2
        assert message in " ".join(ran.err.split())


def test_a_recipe_that_was_not_run(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    path.unlink()
    ran = run(capsys, "handover", tmp_path / "quay.yaml")
    assert ran.code == 2
    assert ran.err == (
        f"gradeprep: quay: {path}: no such sidecar: the shot was not run; run the recipe "
        "first, or leave the shot out with --shot\n"
    )


def test_what_is_there_is_kept_unless_told(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    out = tmp_path / "out"
    assert run(capsys, "handover", path, "--as", "cc,clf", "-o", out).code == 0
    (out / "quay.clf").unlink()
    (out / "quay.cc").write_text("theirs")
    before = snapshot(out)
    ran = run(capsys, "handover", path, "--as", "cc,clf", "-o", out)
    assert ran.code == 2
    assert f"{out / 'quay.cc'}: exists already; say --overwrite, or name a new folder" in ran.err
    assert snapshot(out) == before
    assert run(capsys, "handover", path, "--as", "cc,clf", "-o", out, "--overwrite").code == 0
    assert "theirs" not in (out / "quay.cc").read_text()
    ran = run(capsys, "handover", path, "-o", out / "quay.cc")
    assert ran.code == 2
    assert "is a file; name a folder" in ran.err


def test_a_file_that_does_not_prove_right_gets_no_name(tmp_path, capsys, monkeypatch):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    write = deliver._write
    monkeypatch.setattr(
        deliver, "_write", lambda text, file: write(text.replace("0.25 0.25", "0.25 0.3"), file)
    )
    ran = run(capsys, "handover", path, "--as", "cc,otio", "-o", tmp_path / "out")
    assert ran.code == 1
    assert f"{tmp_path / 'out' / 'quay.cc'}: reads back as another gain, off by 2.0e-01" in ran.err
    assert names(tmp_path / "out") == ["quay.otio"]  # and no temporary file


def test_a_folder_that_the_library_misreads(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SHOT", "other")
    path = normalized(capsys, tmp_path, PULL, frames=1)
    ran = run(capsys, "handover", path, "--as", "cc", "-o", tmp_path / "$SHOT")
    assert ran.code == 1
    assert "name a folder without $ and %" in ran.err
    assert not (tmp_path / "$SHOT").exists()


@pytest.mark.parametrize(
    ("module", "options", "message"),
    [
        ("opentimelineio", ["--as", "otio"], "--as otio: a timeline needs one more package"),
        ("lxml", ["--as", "amf", "--xsd", "."], "--xsd: the schema needs one more package"),
    ],
)
def test_a_missing_extra_is_one_line(module, options, message, tmp_path, capsys, monkeypatch):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    monkeypatch.setitem(sys.modules, module, None)
    ran = run(capsys, "handover", path, *options)
    assert ran.code == 2
    assert message in ran.err
    assert "pip install 'gradeprep[conform]'" in ran.err
    if module == "opentimelineio":  # not asked for by name: the others are there all the same
        ran = run(capsys, "handover", path)
        assert ran.code == 0, ran
        assert "left out: otio: --as otio: a timeline needs one more package" in ran.out


def test_every_form_comes_through_the_registry():
    names = ("ale", "amf", "cc", "ccc", "cdl", "clf", "csv", "edl", "otio")
    assert installed().names("handovers") == names
    models = installed().params("handovers")
    for model in models.values():
        assert model.model_config["extra"] == "forbid"
        assert all(field.description for field in model.model_fields.values())


# ---------------------------------------------------------------- forty events, in and out

REELS = {"slipway": "A001_C001", "loft": "A001_C002", "quay": "A002_C001", "launch": "A002_C002"}
LENGTH, HANDLES = 40, 8
RATE = "30000/1001"


def cut_of_forty(folder: Path) -> tuple[Path, list[tuple[str, str, str, int]]]:
    """Four takes across a minute of drop-frame, and forty events; each tenth brings an ASC CDL."""
    lines, uses = [], []
    record = timecode.count("00:59:58;00", 30)
    assert record is not None
    for index, (name, reel) in enumerate(REELS.items()):
        write_plate(
            folder / "plates" / name, name, f"{index + 9:02d}:58:59;20",
            frames=LENGTH, rate=RATE, reel=reel, light=8.0,
        )  # fmt: skip
    for number in range(1, 41):
        index = number * 7 % 4
        name = list(REELS)[index]
        start = timecode.count(f"{index + 9:02d}:58:59;20", 30)
        assert start is not None
        begin, length = number * 5 % 27, 3 + number % 9
        gap = 2 if number % 13 == 0 else 0
        points = (start + begin, start + begin + length, record + gap, record + gap + length)
        told = [timecode.label(point, 30, drop=True) for point in points]
        lines += [f"{number:03d}  {REELS[name]} V     C        {' '.join(told)}"]
        if number % 10 == 0:
            lines += ["* ASC_SOP (1.1 1.0 0.9)(0.01 0 0)(1 1 1)", "* ASC_SAT 0.9"]
        uses.append((name, told[0], told[2], length))
        record = points[3]
    return edl(folder / "film.edl", *lines, fcm="DROP FRAME"), uses


def test_forty_events_from_a_list_to_plates_and_every_form(tmp_path, capsys):
    list_file, uses = cut_of_forty(tmp_path)
    recipe = tmp_path / "film.yaml"
    ran = run(capsys, "conform", list_file, "--plates", tmp_path / "plates", "--handles", HANDLES,
              "--space", "ACEScg", "-o", recipe)  # fmt: skip
    assert "40 of 40 events, 4 shots" in ran.out, ran
    text = recipe.read_text(encoding="utf-8").replace("pull: {stops: 0.0}", "pull: {stops: -2.0}")
    recipe.write_text(text, encoding="utf-8")
    assert run(capsys, "run", recipe, "--quiet", "--jobs", 1).code == 0
    ran = run(capsys, "handover", recipe, "--as", "ccc,clf,amf,otio,edl", "-o", tmp_path / "out",
              *_schema())  # fmt: skip
    assert (ran.code, ran.err) == (0, ""), ran
    out = tmp_path / "out"
    per_shot = [f"{name}.{form}" for name in REELS for form in ("amf", "clf")]
    assert names(out) == sorted([*per_shot, "film.ccc", "film.edl", "film.otio"])
    assert decisions_in(out / "film.ccc") == dict.fromkeys(REELS, (-2.0, -2.0, -2.0))
    for name in REELS:
        path = tmp_path / "normalized" / name / f"{name}.stops.json"
        assert run(capsys, "audit", path, "--quiet", "--jobs", 1).code == 0
        first, last = (sidecar.load(path).frames[i].number for i in (0, -1))
        sequence = next(ElementTree.parse(out / f"{name}.amf").iter(
            "{urn:ampas:aces:amf:v2.0}sequence"))  # fmt: skip
        assert (sequence.get("min"), sequence.get("max")) == (str(first), str(last))
    _same_cut(out / "film.otio", uses)
    _same_list(list_file, out / "film.edl")
    for way_back in ("film.otio", "film.edl"):
        again = tmp_path / f"again_{way_back}.yaml"
        ran = run(capsys, "conform", out / way_back, "--plates", tmp_path / "plates", "--handles",
                  HANDLES, "--space", "ACEScg", "-o", again)  # fmt: skip
        assert "40 of 40 events, 4 shots" in ran.out, ran
        assert _frames(again) == _frames(recipe)


def _schema() -> list[object]:
    try:
        return ["--xsd", plates_folder() / "editorial"]
    except pytest.skip.Exception:
        return []


def _same_cut(path: Path, uses: list[tuple[str, str, str, int]]) -> None:
    """Every event in its place on the normalized plates, the CDLs that came along beside them."""
    timeline = otio.adapters.read_from_file(str(path))
    rate = 30000 / 1001
    clips = list(timeline.find_clips())
    assert len(clips) == 40
    begin = timeline.global_start_time.value
    for number, (clip, (name, source, record, length)) in enumerate(
        zip(clips, uses, strict=True), 1
    ):
        assert clip.source_range == otio.opentime.TimeRange(
            otio.opentime.RationalTime(timecode.count(source, 30), rate),
            otio.opentime.RationalTime(length, rate),
        )
        start = clip.range_in_parent().start_time
        assert (start.rate, start.value + begin) == (rate, timecode.count(record, 30))
        first = clip.media_reference.frame_for_time(clip.source_range.start_time)
        url = clip.media_reference.target_url_for_image_number(
            first - clip.media_reference.start_frame
        )
        plate = path.parent.parent / "normalized" / name / f"{name}.{first}.exr"
        assert url == plate.as_uri()
        assert plate.is_file()
        assert ("cdl" in clip.metadata) == (number % 10 == 0)
        assert clip.metadata["gradeprep"]["stops"] == -2.0


def _same_list(before: Path, after: Path) -> None:
    """The same events with their labels, our gain in the place of a CDL."""

    def events(path: Path) -> list[list[str]]:
        lines = path.read_text(encoding="utf-8").splitlines()
        return [line.split() for line in lines if line[:3].isdigit()]

    assert events(after) == events(before)
    text = after.read_text(encoding="utf-8")
    assert text.count("* ASC_SOP (0.25 0.25 0.25)(0 0 0)(1 1 1)") == 40
    assert text.count("* CDL THAT CAME WITH THE EVENT, NOT APPLIED: (1.1000000000000001 1 0.9") == 4


def _frames(recipe: Path) -> list[str]:
    return [line for line in recipe.read_text(encoding="utf-8").splitlines() if "frames: " in line
            and "event" not in line]  # fmt: skip

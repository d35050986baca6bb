"""A changed cut: the recipe follows it, and no decision changes by a byte."""

from __future__ import annotations

import re

import pytest
from filmed import edl, write_plate
from support import run

from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.read import read_timeline
from gradeprep.conform.recipe import Source, recipe_text
from gradeprep.conform.update import update
from gradeprep.errors import RequestError
from gradeprep.model import timecode
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.recipefile import read_recipe


def cut(folder, name, events):
    """A list of events (plate, first frame, length); plates start at frame 1001, 01:00:00:00."""
    lines, record = [], 0
    for number, (plate, first, length) in enumerate(events, 1):
        start = 86_400 + first - 1001
        points = (start, start + length, record, record + length)
        labels = " ".join(timecode.label(point, 24, drop=False) for point in points)
        lines += [f"{number:03d}  {plate} V C {labels}", f"* FROM CLIP NAME: {plate}"]
        record += length
    return edl(folder / name, *lines)


def conformed(folder, timeline):
    return gather(read_timeline(timeline), find_plates(folder / "plates"))


def source(folder, timeline):
    return Source(timeline, folder)


def updated(folder, text, *events):
    timeline = cut(folder, "v2.edl", events)
    return update(text, conformed(folder, timeline), source(folder, timeline))


def first_recipe(folder, *events):
    timeline = cut(folder, "v1.edl", events)
    return recipe_text(conformed(folder, timeline), source(folder, timeline))


def decisions(text):
    """Every line of a recipe but those of frames, events and comments about events."""
    ours = re.compile(
        r" *(#.*event \d+ .*|frames: .*|- \{event: .*|timeline: .*|title: .*)|# \d+ .*"
    )
    return [line for line in text.split("\n") if not ours.fullmatch(line)]


@pytest.fixture
def film(tmp_path):
    for name in ("A", "B", "C", "D"):
        write_plate(tmp_path / "plates", name, frames=12, reel=name)
    return tmp_path


def decided(text):
    """The recipe with decisions and comments by hand in every shot."""
    for name in ("A", "B", "C"):
        text = text.replace(
            f"  {name}:\n",
            f"  # the {name} scene\n  {name}:   # by the lead\n    # do not touch\n",
        ).replace(
            f'plates/{name}.####.exr"\n',
            f'plates/{name}.####.exr"   # reel {name}\n    stages:\n'
            f"      - pull:   {{ stops: -{ord(name)}.5 }}  # metered\n    nonfinite: keep\n",
        )
    return text


def test_frames_follow_the_cut_and_decisions_stay(film):
    before = decided(first_recipe(film, ("A", 1003, 4), ("B", 1003, 4), ("C", 1003, 4)))
    result = updated(film, before, ("A", 1003, 6), ("C", 1004, 2), ("D", 1001, 2))
    assert result.recut.model_dump() == {
        "came": ("D",),
        "left": ("B",),
        "grew": {"A": "1007-1008"},
        "shrank": {"C": "1003,1006"},
        "kept": (),
    }
    data, _ = parse_yaml(result.text)
    assert {name: shot["frames"] for name, shot in data["shots"].items()} == {
        "A": "1003-1008",
        "C": "1004-1005",
        "D": "1001-1002",
    }
    parked = [line for line in result.text.split("\n") if line.startswith("#| ")]
    kept = decisions(result.text)
    for line in decisions(before):
        assert line in kept or f"#| {line}" in parked, line
    assert data["shots"]["A"]["stages"] == [{"pull": {"stops": -65.5}}]


def test_a_parked_shot_comes_back_byte_for_byte(film):
    before = decided(first_recipe(film, ("A", 1003, 4), ("B", 1003, 4), ("C", 1003, 4)))
    without = updated(film, before, ("A", 1003, 4), ("C", 1003, 4))
    assert without.recut.left == ("B",)
    again = updated(film, without.text, ("A", 1003, 4), ("B", 1003, 4), ("C", 1003, 4))
    assert decisions(again.text) == decisions(before)
    assert again.recut.kept == ("A", "B", "C")


def test_the_same_cut_changes_nothing(film):
    events = ("A", 1003, 4), ("B", 1003, 4)
    before = decided(first_recipe(film, *events))
    again = updated(film, before, *events)
    assert again.text.startswith("# 2 events of v2.edl in 2 shots.\n")
    assert again.text.replace("v2.edl", "v1.edl") == before
    assert updated(film, again.text, *events).text == again.text


@pytest.mark.parametrize("newline", ["\r\n", "\n"])
def test_line_ends_and_a_missing_last_one_stay(newline, film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4)).rstrip("\n")
    before = before.replace("\n", newline)
    result = updated(film, before, ("A", 1003, 4), ("B", 1002, 5), ("C", 1001, 1))
    assert set(re.findall(r"\r?\n", result.text)) == {newline}
    assert list(parse_yaml(result.text)[0]["shots"]) == ["A", "B", "C"]


def test_a_shot_renamed_by_hand_keeps_its_name(film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4)).replace("  A:\n", "  hero:\n")
    result = updated(film, before, ("A", 1003, 5), ("B", 1003, 4))
    assert result.recut.grew == {"hero": "1007"}
    assert list(result.gathered.shots) == ["hero", "B"]


def test_a_shot_that_is_not_the_timelines_stays(film):
    before = first_recipe(film, ("A", 1003, 4)) + "  mine: {plate: plates/D.####.exr}\n"
    result = updated(film, before, ("A", 1003, 4))
    assert "\n  mine: {plate: plates/D.####.exr}\n" in result.text
    assert result.recut.left == ()


def test_a_shot_in_braces_is_updated_in_place(film):
    before = (
        "gradeprep: 1\nshots:\n  A: {plate: plates/A.####.exr, frames: 1-2, order: as-written}\n"
    )
    result = updated(film, before, ("A", 1003, 4))
    shot = parse_yaml(result.text)[0]["shots"]["A"]
    assert (shot["frames"], shot["order"]) == ("1003-1006", "as-written")
    assert shot["carried"]["events"][0]["event"] == "001"


def test_a_missing_plate_parks_nothing(film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4))
    for path in (film / "plates").glob("B.*"):
        path.unlink()
    result = updated(film, before, ("A", 1003, 4), ("B", 1003, 4))
    assert result.recut.left == ()
    assert [remark.what for remark in result.remarks] == [
        "shot 'B' is in the timeline, but its plate is not found: left as it is"
    ]


def test_an_anchor_in_a_shot_that_leaves_is_refused(film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4))
    before = before.replace("  A:\n", "  A:\n    stages: &all [{pull: {stops: 1}}]\n")
    before = before.replace("  B:\n", "  B:\n    stages: *all\n")
    with pytest.raises(RequestError, match=r"anchors"):
        updated(film, before, ("B", 1003, 4))


def test_a_reference_to_a_parked_shot_is_reported(film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4))
    stage = "    stages:\n      - pull: {stops: {meter: reference, shot: A}}\n"
    before = before.replace("  B:\n", f"  B:\n{stage}")
    (remark,) = updated(film, before, ("B", 1003, 4)).remarks
    assert remark.what == "shot 'B' refers to the parked 'A'"


def test_a_recut_of_forty_shots(tmp_path):
    """Five new, three gone, six trimmed, four grown: no decision changes."""
    names = [f"s{number:02d}" for number in range(1, 46)]
    for name in names:
        write_plate(tmp_path / "plates", name, frames=8, reel=name)
    before = first_recipe(tmp_path, *((name, 1002, 4) for name in names[:40]))
    for index, name in enumerate(names[:40]):
        before = before.replace(
            f'/{name}.####.exr"\n',
            f'/{name}.####.exr"\n    stages: [pull: {{stops: -{index}.25}}]  # look {index}\n',
        )
    lengths = {**dict.fromkeys(names[3:9], 3), **dict.fromkeys(names[9:13], 6)}
    result = updated(tmp_path, before, *((name, 1002, lengths.get(name, 4)) for name in names[3:]))
    recut = result.recut
    assert recut.came == tuple(names[40:])
    assert recut.left == tuple(names[:3])
    assert recut.shrank == dict.fromkeys(names[3:9], "1005")
    assert recut.grew == dict.fromkeys(names[9:13], "1006-1007")
    assert recut.kept == tuple(names[13:40])
    old, new = parse_yaml(before)[0]["shots"], parse_yaml(result.text)[0]["shots"]
    assert [new[name]["stages"] for name in names[3:40]] == [
        old[name]["stages"] for name in names[3:40]
    ]
    for index in range(3, 40):
        assert f"    stages: [pull: {{stops: -{index}.25}}]  # look {index}\n" in result.text


def test_update_and_resume_make_the_new_frames_only(film, capsys):
    recipe = film / "cut.yaml"

    def conform(timeline, *more):
        return run(capsys, "conform", timeline, "--plates", film / "plates", "--space", "ACEScg",
                   "-o", recipe, *more)  # fmt: skip

    assert conform(cut(film, "v1.edl", [("A", 1003, 4), ("B", 1003, 4)])).code == 0
    assert run(capsys, "run", recipe, "--quiet").code == 0
    made = {path: path.stat().st_mtime_ns for path in film.glob("normalized/*/*.exr")}
    assert len(made) == 8
    ran = conform(cut(film, "v2.edl", [("A", 1002, 6), ("C", 1001, 2)]), "--update")
    assert ran.code == 0, ran
    assert "new      C" in ran.out
    assert "parked   B" in ran.out
    assert "grew     A  1002,1007" in ran.out
    assert (film / "cut.yaml").read_text().startswith("# 2 events of v2.edl in 2 shots.\n")
    ran = run(capsys, "run", recipe, "--resume", "--quiet")
    assert ran.code == 0, ran
    after = {path: path.stat().st_mtime_ns for path in film.glob("normalized/*/*.exr")}
    assert {path: after[path] for path in made} == made
    assert sorted(path.name for path in after.keys() - made.keys()) == [
        "A.1002.exr", "A.1007.exr", "C.1001.exr", "C.1002.exr",
    ]  # fmt: skip


def test_a_decision_is_for_new_shots_only(film, capsys):
    recipe = film / "cut.yaml"
    decision = film / "a.cc"
    decision.write_text(
        '<ColorCorrection id="a"><SOPNode><Slope>0.5 0.5 0.5</Slope><Offset>0 0 0</Offset>'
        "<Power>1 1 1</Power></SOPNode></ColorCorrection>"
    )
    command = ["--plates", film / "plates", "-o", recipe]
    assert run(capsys, "conform", cut(film, "v1.edl", [("A", 1003, 4)]), *command).code == 0
    longer = cut(film, "v2.edl", [("A", 1003, 4), ("B", 1003, 4)])
    ran = run(capsys, "conform", longer, *command, "--update", "--decision", decision,
              "--space", "ACEScg")  # fmt: skip
    assert ran.code == 0, ran
    assert "note  a.cc is applied as balance and pull to 1 of 1 new shots" in ran.err
    assert "warn  --space ACEScg is for a new recipe; this one has none" in ran.err
    shots = read_recipe(recipe).shots
    assert [shots[name].stages[-1].params.stops for name in ("A", "B")] == [0.0, -1.0]


def test_there_is_no_recipe_to_update(film, capsys):
    timeline = cut(film, "v1.edl", [("A", 1003, 4)])
    ran = run(capsys, "conform", timeline, "--plates", film / "plates", "-o", film / "no.yaml",
              "--update")  # fmt: skip
    assert (ran.code, (film / "no.yaml").exists()) == (2, False)
    assert "no.yaml: no such recipe to update" in ran.err


@pytest.mark.parametrize("text", ["", "shots: 3", "- a", "gradeprep: 1\nshots: {A: {plate: a}}\n"])
def test_what_is_no_recipe_of_ours_stays_as_it_is(text, film, capsys):
    (film / "cut.yaml").write_text(text)
    timeline = cut(film, "v1.edl", [("A", 1003, 4)])
    ran = run(capsys, "conform", timeline, "--plates", film / "plates", "-o", film / "cut.yaml",
              "--update")  # fmt: skip
    assert ran.code == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert (film / "cut.yaml").read_text() == text


def test_comments_among_the_events_stay(film):
    before = first_recipe(film, ("A", 1003, 4), ("B", 1003, 4))
    before = before.replace("      events:\n", "      events:  # from edit\n        # checked\n", 1)
    result = updated(film, before, ("A", 1003, 5), ("B", 1003, 4))
    assert "# from edit\n" in result.text
    assert "# checked\n" in result.text
    assert updated(film, result.text, ("A", 1003, 5), ("B", 1003, 4)).text == result.text

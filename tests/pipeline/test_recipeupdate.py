"""Stops written back into recipes: the right characters change, and no others."""

from __future__ import annotations

import difflib
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.errors import GradeprepError, RequestError, WriteError
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline import recipeupdate as module
from gradeprep.pipeline.recipeupdate import rewrite, with_stops
from gradeprep.plates import atomic

RECIPE = """\
# The quay, day 3.   Odd   spacing is kept.
gradeprep: 1
defaults:
    space:   'Quay Log'          # single quotes
    stages: [ {lift: {stops: 1.0, below: -3.00}}, {pull: {stops: -3.0}} ]
    output: {plate: "out/{shot}/{shot}.####.exr"}

shots:
  zebra: &z {plate: "z.####.exr",   frames: 1001-1048 }   # flow

  own:
      plate: own.####.exr
      stages:
      - lift: { stops: 0.5 }       # lift stays
      - pull: { stops:   -2.50 }   # measured by hand
      # the end

  long:
    plate: long.####.exr
    stages:
      - pull:
          # which wall
          stops:
            meter: reference       # the same wall
            shot: own
            # region of the wall
            region: [0.1, 0.6, 0.3, 0.3]

      - balance: {stops: [0, 0, 0]}
  last: {plate: last.####.exr}
"""


def changed(old: str, new: str) -> list[str]:
    lines = difflib.ndiff(old.splitlines(), new.splitlines())
    return [line for line in lines if line[:2] in ("- ", "+ ")]


def test_only_the_characters_of_the_stops_change():
    new = with_stops(RECIPE, {"own": -2.75})
    assert new == RECIPE.replace("stops:   -2.50 }", "stops:   -2.75 }")


def test_keys_over_frames():
    new = with_stops(RECIPE, {"own": {1048: -2.5, 1001: -3}})
    assert new == RECIPE.replace("stops:   -2.50 }", "stops:   {1001: -3.0, 1048: -2.5} }")


def test_a_meter_over_several_lines_becomes_a_number_and_its_comments_stay():
    start = RECIPE.index("          stops:\n")
    end = RECIPE.index("\n\n      - balance")
    assert with_stops(RECIPE, {"long": -1.25}) == (
        RECIPE[:start]
        + "          # the same wall\n          # region of the wall\n          stops: -1.25"
        + RECIPE[end:]
    )


def test_a_comment_between_key_and_value_stays_on_its_line():
    text = RECIPE.replace("stops:\n            meter", "stops:   # measure it\n            meter")
    assert "          stops: -1.25   # measure it\n" in with_stops(text, {"long": -1.25})


def test_a_shot_in_brackets_gets_a_copy_of_the_stages_it_inherits():
    assert changed(RECIPE, with_stops(RECIPE, {"last": -3.5})) == [
        "-   last: {plate: last.####.exr}",
        "+   last: {plate: last.####.exr, "
        "stages: [{lift: {stops: 1.0, below: -3.0}}, {pull: {stops: -3.5}}]}",
    ]


def test_a_shot_over_several_lines_gets_a_copy_of_the_stages_it_inherits():
    text = RECIPE.replace("  last: {plate: last.####.exr}\n", "  last:\n    plate: last.####.exr")
    assert changed(text, with_stops(text, {"last": -3.5})) == [
        "+     stages:",
        "+       - lift: {stops: 1.0, below: -3.0}",
        "+       - pull: {stops: -3.5}",
    ]
    more = text + "   # the last one\n"
    assert changed(more, with_stops(more, {"last": -3.5}))[0] == "+     stages:"
    assert "plate: last.####.exr   # the last one\n    stages:" in with_stops(more, {"last": -3.5})


def test_several_shots_at_once():
    new = with_stops(RECIPE, {"last": -1, "own": -2, "long": -3, "zebra": {1: 0}})
    shots = parse_yaml(new)[0]["shots"]
    assert [shots[name]["stages"][i]["pull"]["stops"] for name, i in (("last", 1), ("own", 1))] == [
        -1.0,
        -2.0,
    ]
    assert shots["long"]["stages"][0]["pull"] == {"stops": -3.0}
    assert shots["zebra"]["stages"][1]["pull"] == {"stops": {1: 0.0}}
    assert parse_yaml(new)[0]["defaults"] == parse_yaml(RECIPE)[0]["defaults"]


ANCHORED = """\
gradeprep: 1
defaults: {stages: &usual [{pull: {stops: &hot -3.0}}]}
shots:
  a: {plate: a.exr, stages: *usual}   # as usual
  b: &b {plate: b.exr, stages: [{pull: {stops: *hot}}]}
  c: *b
  d: {plate: d.exr, stages: &own [{pull: {stops: -1}}]}
  e: {plate: e.exr, stages: *own}
  f: {plate: f.exr, stages: &alone [{pull: {stops: &f -1}}]}
"""


@pytest.mark.parametrize(
    ("shot", "old", "new"),
    [
        ("a", "stages: *usual}", "stages: [{pull: {stops: -2.0}}]}"),
        ("c", "c: *b", "c: {plate: b.exr, stages: [{pull: {stops: -2.0}}]}"),
        ("e", "stages: *own}", "stages: [{pull: {stops: -2.0}}]}"),
        ("f", "stops: &f -1", "stops: &f -2.0"),
    ],
)
def test_a_shot_that_takes_its_stages_from_an_anchor_gets_a_copy(shot, old, new):
    assert with_stops(ANCHORED, {shot: -2}) == ANCHORED.replace(old, new)


def test_an_alias_is_written_out_where_only_its_own_shot_uses_it():
    alone = ANCHORED.replace("  c: *b\n", "")
    assert with_stops(alone, {"b": -2}) == alone.replace("stops: *hot", "stops: -2.0")


@pytest.mark.parametrize("shot", ["b", "d"])
def test_an_anchor_that_others_share_is_not_changed_under_them(shot):
    with pytest.raises(RequestError, match=f"{shot}: its stages are shared through an anchor"):
        with_stops(ANCHORED, {shot: -2})
    both = {"b": ("b", "c"), "d": ("d", "e")}[shot]
    told = parse_yaml(with_stops(ANCHORED, dict.fromkeys(both, -2)))[0]["shots"]
    assert [told[name]["stages"][0]["pull"]["stops"] for name in both] == [-2.0, -2.0]


@pytest.mark.parametrize(
    ("text", "stops", "complaint"),
    [
        (RECIPE, {"lost": -1}, "the recipe has no shot 'lost'; it has zebra, own, long, last"),
        (RECIPE, {"own": "dark"}, "own: 'dark' is not a number of stops"),
        (RECIPE, {"own": {1: 99.0}}, "own: 99 stops is beyond +-40"),
        ("a: 1", {"own": 1}, "the recipe has no shot 'own'; it has none"),
        ("shots: {a: {stages: []}}", {"a": 1}, "a: its stages have no pull with stops to write"),
        ("shots: {a: {}}", {"a": 1}, "a: its stages have no pull with stops to write to; write"),
        ("shots: {a: {stages: [{pull: }]}}", {"a": 1}, "no single pull with stops to write to"),
        (
            "shots: {a: {stages: [{pull: {stops: 1}}, {pull: {stops: 1}}]}}",
            {"a": 1},
            "a: its stages have no single pull with stops to write to",
        ),
        ("a: [", {"a": 1}, "not YAML"),
    ],
)
def test_what_has_no_place_for_the_stops(text, stops, complaint):
    with pytest.raises(GradeprepError) as caught:
        with_stops(text, stops)
    assert complaint in str(caught.value)


value = st.one_of(
    st.floats(-40, 40), st.dictionaries(st.integers(-99, 9999), st.floats(-40, 40), min_size=1)
)


@given(st.dictionaries(st.sampled_from(["zebra", "own", "long", "last"]), value))
def test_any_stops_are_read_back_and_nothing_else_moves(stops):
    new = with_stops(RECIPE, stops)
    told = parse_yaml(new)[0]["shots"]
    for shot, wanted in stops.items():
        pulls = [it["pull"]["stops"] for it in told[shot]["stages"] if "pull" in it]
        assert pulls == [wanted]
    kept = [line for line in RECIPE.splitlines() if "#" in line and "####" not in line]
    comments = [line[line.index("#") :] for line in kept]
    assert all(comment in new for comment in comments)
    assert with_stops(RECIPE, {}) == RECIPE


def test_windows_line_ends_and_a_byte_order_mark_are_kept():
    text = "\ufeff" + RECIPE.replace("\n", "\r\n")
    block = text.replace("last: {plate: last.####.exr}", "last:\r\n    plate: last.####.exr")
    new = with_stops(block, {"last": -1, "own": -1, "long": -1})
    assert new.startswith("\ufeff")
    assert new.count("\n") == new.count("\r\n")


def file(tmp_path: Path) -> tuple[Path, str]:
    path = tmp_path / "recipe.yaml"
    path.write_bytes(RECIPE.encode())
    return path, atomic.digest(path)


def test_a_file_is_replaced_whole_with_its_permissions(tmp_path):
    path, digest = file(tmp_path)
    path.chmod(0o640)
    after = rewrite(path, {"own": -2.75}, digest=digest)
    assert path.read_bytes().decode() == RECIPE.replace("-2.50", "-2.75")
    assert after == atomic.digest(path) != digest
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert list(tmp_path.iterdir()) == [path]
    assert rewrite(path, {"own": -2.75}, digest=after) == after


def test_a_link_stays_a_link(tmp_path):
    path, digest = file(tmp_path)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    rewrite(link, {"own": -2.75}, digest=digest)
    assert link.is_symlink()
    assert "-2.75" in path.read_text()


def test_a_file_that_changed_since_it_was_read_is_left_alone(tmp_path):
    path, digest = file(tmp_path)
    path.write_text(RECIPE + "# a late thought\n")
    before = path.read_bytes()
    with pytest.raises(RequestError, match="was changed after it was read; measure again"):
        rewrite(path, {"own": -2.75}, digest=digest)
    assert path.read_bytes() == before


def test_a_file_that_changes_while_it_is_written_is_left_alone(tmp_path, monkeypatch):
    path, digest = file(tmp_path)
    publish = atomic.publish

    def slow(final, write, verify):
        def late(temp):
            write(temp)
            path.write_text("gradeprep: 1\n")

        return publish(final, late, verify)

    monkeypatch.setattr(module.atomic, "publish", slow)
    with pytest.raises(RequestError, match="was changed after it was read"):
        rewrite(path, {"own": -2.75}, digest=digest)
    assert path.read_text() == "gradeprep: 1\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_result_that_reads_back_wrong_is_thrown_away(tmp_path, monkeypatch):
    path, digest = file(tmp_path)
    publish = atomic.publish

    def clumsy(final, write, verify):
        def short(temp):
            write(temp)
            temp.write_bytes(temp.read_bytes()[:-1])

        return publish(final, short, verify)

    monkeypatch.setattr(module.atomic, "publish", clumsy)
    with pytest.raises(WriteError, match="what was written reads back wrong"):
        rewrite(path, {"own": -2.75}, digest=digest)
    assert path.read_text() == RECIPE


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(RequestError, match="cannot be read"):
        rewrite(tmp_path / "none.yaml", {}, digest="sha256:0")

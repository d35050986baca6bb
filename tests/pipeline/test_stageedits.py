"""Stages set, added and taken out in the text of a recipe: nothing else of it changes."""

from __future__ import annotations

import difflib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeprep.errors import RequestError
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.stageedits import place_for, with_stages

RECIPE = """\
# Day 3.   Odd   spacing is kept.
gradeprep: 1
defaults:
    stages: [ {lift: {stops: 1.0, below: -3.00}}, {pull: {stops: -3.0}} ]   # for all
    output: {plate: "out/{shot}/{shot}.####.exr"}

shots:
  zebra: {plate: "z.####.exr",   frames: 1001-1048 }   # flow

  own:
      plate: own.####.exr
      stages:
      - lift: { stops: 0.5, below:  -3.50 }       # lift stays
      - pull: { stops:   -2.50 }   # measured by hand
      # the end

  long:
    plate: long.####.exr
    stages:
      # first the wall
      - pull:
          stops:
            meter: reference       # the same wall
            shot: own
      - balance: {stops: [0, 0, 0]}   # neutral

  bare: {plate: b.exr, stages: []}
  last: {plate: last.####.exr}
"""

LIFT = {"stops": 0.7, "below": -3.0, "softness": 3.0}


def changed(old: str, new: str) -> list[str]:
    lines = difflib.ndiff(old.splitlines(), new.splitlines())
    return [line for line in lines if line[:2] in ("- ", "+ ")]


def after(**changes: dict[str, object]) -> list[str]:
    return changed(RECIPE, with_stages(RECIPE, changes))


def test_only_the_characters_of_what_changes_are_exchanged():
    assert after(own={"lift": {"stops": 0.75, "below": -3.5}}) == [
        "-       - lift: { stops: 0.5, below:  -3.50 }       # lift stays",
        "+       - lift: { stops: 0.75, below:  -3.50 }       # lift stays",
    ]


def test_a_parameter_that_was_left_to_its_default_joins_the_others():
    assert after(own={"lift": LIFT}) == [
        "-       - lift: { stops: 0.5, below:  -3.50 }       # lift stays",
        "+       - lift: {stops: 0.7, below: -3.0, softness: 3.0}       # lift stays",
    ]


def test_what_says_it_already_is_not_touched():
    assert with_stages(RECIPE, {"own": {"lift": {"stops": 0.5}, "balance": None}}) == RECIPE
    assert with_stages(RECIPE, {"last": {"pull": {"stops": -3}}}) == RECIPE


def test_a_stage_is_taken_out_with_its_line():
    assert after(own={"lift": None}) == [
        "-       - lift: { stops: 0.5, below:  -3.50 }       # lift stays"
    ]
    assert after(long={"balance": None}) == ["-       - balance: {stops: [0, 0, 0]}   # neutral"]


def test_the_last_stage_taken_out_leaves_an_empty_list():
    new = with_stages(RECIPE, {"own": {"lift": None, "pull": None}})
    assert parse_yaml(new)[0]["shots"]["own"]["stages"] == []
    assert "# measured by hand" in new


def test_a_stage_is_added_where_it_belongs():
    assert after(long={"lift": LIFT}) == [
        "+       - lift: {stops: 0.7, below: -3.0, softness: 3.0}"
    ]
    new = with_stages(RECIPE, {"own": {"balance": {"stops": [0.1, 0.0, -0.1]}}})
    assert "lift stays\n      - balance: {stops: [0.1, 0.0, -0.1]}\n      - pull" in new


def test_a_stage_is_added_to_an_empty_list():
    assert after(bare={"pull": {"stops": -1.0}}) == [
        "-   bare: {plate: b.exr, stages: []}",
        "+   bare: {plate: b.exr, stages: [{pull: {stops: -1.0}}]}",
    ]


def test_a_shot_that_takes_its_stages_from_the_defaults_gets_all_of_them_changed():
    assert after(last={"lift": {"stops": 0.25}}) == [
        "-   last: {plate: last.####.exr}",
        "+   last: {plate: last.####.exr, "
        "stages: [{lift: {stops: 0.25, below: -3.0}}, {pull: {stops: -3.0}}]}",
    ]
    assert after(zebra={"lift": None})[1].endswith(
        "frames: 1001-1048, stages: [{pull: {stops: -3.0}}] }   # flow"
    )


def test_keys_take_the_place_of_a_meter_and_its_comment_stays():
    new = with_stages(RECIPE, {"long": {"pull": {"stops": {1: -2.0, 9: -1.0}}}})
    assert "          # the same wall\n          stops: {1: -2.0, 9: -1.0}\n" in new


def test_several_changes_of_several_shots_at_once():
    changes = {
        "own": {"lift": None, "balance": {"stops": [0, 0, 1]}, "pull": {"stops": -1.0}},
        "last": {"balance": {"stops": [0.5, 0, 0]}},
    }
    shots = parse_yaml(with_stages(RECIPE, changes))[0]["shots"]
    assert shots["own"]["stages"] == [{"balance": {"stops": [0, 0, 1]}}, {"pull": {"stops": -1.0}}]
    assert [next(iter(stage)) for stage in shots["last"]["stages"]] == ["lift", "balance", "pull"]


def test_a_stage_that_stands_there_twice_is_not_guessed_at():
    text = RECIPE.replace(
        "- pull: { stops:   -2.50 }", "- pull: {stops: -1}\n      - pull: {stops: -1}"
    )
    with pytest.raises(RequestError, match="has 2 stages 'pull'; change the one that is meant"):
        with_stages(text, {"own": {"pull": {"stops": -3.0}}})


def test_no_such_shot():
    with pytest.raises(RequestError, match="no shot 'nobody'; it has zebra, own"):
        with_stages(RECIPE, {"nobody": {"lift": None}})


ANCHORED = """\
gradeprep: 1
defaults: {stages: &usual [{pull: {stops: -3.0}}]}
shots:
  a: {plate: a.exr, stages: *usual}   # as usual
  b: {plate: b.exr, stages: &mine [{pull: {stops: -1.0}}]}
  c: {plate: c.exr, stages: *mine}
"""


def test_an_alias_becomes_a_list_of_its_own():
    new = with_stages(ANCHORED, {"a": {"pull": {"stops": -2.0}}})
    assert changed(ANCHORED, new) == [
        "-   a: {plate: a.exr, stages: *usual}   # as usual",
        "+   a: {plate: a.exr, stages: [{pull: {stops: -2.0}}]}   # as usual",
    ]


def test_stages_that_others_share_are_refused():
    with pytest.raises(RequestError, match="shared through an anchor; write them out"):
        with_stages(ANCHORED, {"b": {"pull": {"stops": -2.0}}})


def test_shots_that_share_stages_are_changed_together():
    change = {"pull": {"stops": -2.0}}
    shots = parse_yaml(with_stages(ANCHORED, {"b": change, "c": change}))[0]["shots"]
    assert [shots[name]["stages"] for name in "bc"] == [[change], [change]]


def test_of_several_shots_the_one_that_cannot_change_is_named():
    change = {"pull": {"stops": -2.0}}
    with pytest.raises(RequestError, match=r"^b: its stages are shared through an anchor"):
        with_stages(ANCHORED, {"a": change, "b": change})


def test_line_ends_of_another_system_are_kept():
    text = RECIPE.replace("\n", "\r\n")
    new = with_stages(text, {"long": {"lift": LIFT}, "own": {"lift": None}})
    assert new.count("\n") == new.count("\r\n")


def test_places_of_new_stages():
    assert place_for("lift", ["balance", "pull"]) == 0
    assert place_for("lift", ["veil", "pull"]) == 1
    assert place_for("balance", ["lift", "pull"]) == 1
    assert place_for("balance", ["pull"]) == 0
    assert place_for("pull", ["lift", "veil"]) == 2


_STOPS = st.integers(-80, 0).map(lambda n: n / 16)
_CHANGE = st.fixed_dictionaries(
    {},
    optional={
        "pull": _STOPS.map(lambda stops: {"stops": stops}),
        "lift": st.none() | st.just(LIFT),
        "balance": st.none() | st.just({"stops": [0.25, 0.0, -0.25]}),
    },
)


@settings(max_examples=25)
@given(st.dictionaries(st.sampled_from(["zebra", "own", "long", "bare", "last"]), _CHANGE))
def test_whatever_changes_nothing_else_does(changes):
    before = parse_yaml(RECIPE)[0]
    new = with_stages(RECIPE, changes)
    found = parse_yaml(new)[0]
    for name, change in changes.items():
        settings = found["shots"][name]
        stages = settings.get("stages", found["defaults"]["stages"])
        told = {next(iter(stage)): next(iter(stage.values())) for stage in stages}
        for stage, params in change.items():
            assert (told.get(stage) is None) == (params is None)
            assert params is None or params.items() <= told[stage].items()
    for data in (before, found):
        for name in changes:
            data["shots"][name].pop("stages", None)
    assert found == before
    assert with_stages(new, changes) == new
    for comment in ("# Day 3.   Odd   spacing is kept.", "# for all", "# flow", "# the end"):
        assert comment in new

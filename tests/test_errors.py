"""The error tree: as its docstring draws it, in one line each, with the place filled in."""

from __future__ import annotations

import re

import pytest

from gradeprep import errors
from gradeprep.errors import Fault, GradeprepError, RecipeError

CLASSES = {
    name: found
    for name, found in vars(errors).items()
    if isinstance(found, type) and issubclass(found, GradeprepError)
}


def drawn() -> dict[str, tuple[str | None, int]]:
    """Class to parent and exit code, read from the tree in the module's docstring."""
    found: dict[str, tuple[str | None, int]] = {}
    above: list[tuple[int, str]] = []
    for line in errors.__doc__.splitlines():
        match = re.match(r"([ |`-]*)(\w+Error) +exit (\d) ", line)
        if match:
            depth, name, code = len(match[1]), match[2], int(match[3])
            above = [place for place in above if place[0] < depth]
            found[name] = (above[-1][1] if above else None, code)
            above.append((depth, name))
    return found


def test_the_docstring_draws_the_whole_tree():
    real = {
        name: (None if found is GradeprepError else found.__base__.__name__, found.exit_code)
        for name, found in CLASSES.items()
    }
    assert drawn() == real


def test_a_wrong_request_and_a_failed_frame_leave_by_different_doors():
    for found in CLASSES.values():
        wrong_request = issubclass(found, errors.RequestError)
        assert found.exit_code == (2 if wrong_request else 1)


@pytest.mark.parametrize(
    ("told", "line"),
    [
        ({}, "torn; mend it"),
        ({"shot": "a", "frame": 7}, "a frame 7: torn; mend it"),
        ({"frame": 0, "file": "x.exr"}, "frame 0: x.exr: torn; mend it"),
        ({"key": "stages", "file": "r.yaml"}, "r.yaml: stages: torn; mend it"),
        ({"shot": "a", "frame": 7, "file": "x", "key": "k"}, "a frame 7: x: k: torn; mend it"),
    ],
)
@pytest.mark.parametrize("kind", [kind for kind in CLASSES.values() if kind is not RecipeError])
def test_says_where_what_and_what_to_do_in_one_line(kind, told, line):
    error = kind("torn", remedy="mend\n it", **told)
    assert str(error) == line
    assert error.args == (line,)


def test_a_remedy_is_told_where_there_is_one():
    assert str(GradeprepError("odd")) == "odd"
    assert str(errors.TornFrameError("cut short")) == "cut short; copy the frame again"
    assert str(errors.TornFrameError("cut short", remedy="ask")) == "cut short; ask"


def test_the_place_is_filled_in_only_where_it_was_not_known():
    error = errors.PlateError("torn", frame=7)
    assert error.at(shot="a", frame=8, file="x.exr") is error
    assert (error.shot, error.frame, error.file) == ("a", 7, "x.exr")
    assert error.args == ("a frame 7: x.exr: torn",)
    assert str(error.at(shot="b", file="y.exr")) == "a frame 7: x.exr: torn"


def test_a_recipe_tells_one_fault_a_line():
    error = RecipeError(
        [Fault("shots.a", 3, "missing"), Fault("", None, "not YAML")], file="r.yaml"
    )
    assert str(error) == "r.yaml: line 3: shots.a: missing\nr.yaml: not YAML"
    assert [fault.line for fault in error.faults] == [3, None]
    assert str(RecipeError([Fault("k", 1, "no")])) == "line 1: k: no"

"""The program from Python."""

from __future__ import annotations

import doctest
import subprocess
import sys
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from support import run, snapshot, write_exr

import gradeprep
from gradeprep import api
from gradeprep.errors import MissingPlateError, RecipeError, RequestError, TornFrameError


@pytest.fixture
def hot(tmp_path) -> Path:
    """Two frames of a grey card two stops over: 0.18 * 4."""
    for number in (1001, 1002):
        write_exr(
            tmp_path / "hot" / f"quay.{number}.exr",
            {c: np.full((16, 16), 0.72, np.float16) for c in "RGB"},
        )
    return tmp_path / "hot" / "quay.####.exr"


def _documented() -> list[doctest.DocTest]:
    return [test for test in doctest.DocTestFinder(exclude_empty=True).find(api) if test.examples]


@pytest.mark.parametrize("test", _documented(), ids=lambda test: test.name)
def test_what_the_docstrings_show(test, hot, tmp_path):
    out = tmp_path / "out"
    test.globs.update(hot=hot, out=out)
    told: list[str] = []
    doctest.DocTestRunner().run(test, out=told.append)
    assert not told, "".join(told)


def test_pull_measure_check_and_recipe_are_documented_by_example():
    assert {t.name.rpartition(".")[2] for t in _documented()} >= {
        "pull", "measure", "check", "Recipe",
    }  # fmt: skip


def test_writes_what_the_command_writes(hot, tmp_path, capsys):
    made = gradeprep.pull(
        hot, tmp_path / "a", stops=-2, lift=1, below=-4.0, softness=3.0, space="ACEScg"
    )
    ran = run(
        capsys, "pull", hot, tmp_path / "b", "--stops", "-2", "--lift", "1", "--below", "-4",
        "--softness", "3", "--space", "ACEScg",
    )  # fmt: skip
    assert ran.code == 0
    for number in (1001, 1002):
        name = f"quay.{number}.exr"
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert made.sidecar == tmp_path / "a" / "quay.stops.json"


def test_a_recipe_file(hot, tmp_path):
    path = tmp_path / "recipe.yaml"
    path.write_text(
        "gradeprep: 1\nshots:\n  quay: {plate: hot/quay.####.exr, space: ACEScg, "
        "stages: [{pull: {stops: -2}}], output: {plate: out/quay.####.exr}}\n"
    )
    seen = []
    job = gradeprep.Recipe.load(path).plan(frames="1002").run(jobs=1, report=seen.append)
    assert job.clean
    assert [step.number for step in seen] == [1002]
    pixels = OpenEXR.File(str(tmp_path / "out" / "quay.1002.exr"), separate_channels=True)
    assert np.all(pixels.channels()["R"].pixels == np.float16(0.72) / 4)


def test_keys_of_stops_and_options_of_the_command(hot, tmp_path):
    made = gradeprep.pull(
        hot,
        tmp_path / "out",
        stops={1001: -2.0, 1002: -1.0},
        space="ACEScg",
        kind="float",
        name="a",
    )
    assert [frame.stops for frame in made.record.frames] == [-2.0, -1.0]
    assert made.record.result.type == "float"
    assert made.sidecar.name == "a.stops.json"


@pytest.mark.parametrize(
    ("call", "error", "line"),
    [
        (
            lambda hot, out: gradeprep.pull(hot.parent / "x.exr", out, stops=-1),
            MissingPlateError,
            "",
        ),
        (lambda hot, out: gradeprep.pull(hot, out, stops=-1, space="no"), RequestError, "'no'"),
        (lambda hot, out: gradeprep.pull(hot, out, stops=-1, below=-3), RequestError, "lift"),
        (lambda hot, out: gradeprep.Recipe.of({"gradeprep": 2}), RecipeError, "version 2"),
        (
            lambda hot, out: gradeprep.measure(hot, meter="gray", space="ACEScg"),
            RequestError,
            "gray",
        ),
        (
            lambda hot, out: gradeprep.measure(hot, meter="grey_card", space="ACEScg"),
            RequestError,
            "region",
        ),
        (
            lambda hot, out: gradeprep.check(hot, "noise", settings={"noise": {"no": 1}}),
            RequestError,
            "unknown key 'no'",
        ),
    ],
)
def test_bad_requests_raise_the_errors_of_the_tree(call, error, line, hot, tmp_path):
    before = snapshot(tmp_path)
    with pytest.raises(error) as raised:
        call(hot, tmp_path / "out")
    assert line in str(raised.value)
    assert snapshot(tmp_path) == before


def test_a_torn_frame_is_told_before_anything_is_written(hot, tmp_path):
    first = hot.with_name("quay.1001.exr")
    first.write_bytes(first.read_bytes()[:-20])
    with pytest.raises(TornFrameError, match=r"quay\.1001\.exr"):
        gradeprep.pull(hot, tmp_path / "out", stops=-1, space="ACEScg")
    assert not (tmp_path / "out").exists()


def test_the_root_loads_nothing_and_knows_its_names():
    code = (
        "import sys, gradeprep; assert not {'numpy', 'pydantic', 'OpenEXR'} & set(sys.modules); "
        "assert all(hasattr(gradeprep, name) for name in gradeprep.__all__); "
        "assert 'numpy' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    with pytest.raises(AttributeError, match="no attribute 'grade'"):
        _ = gradeprep.grade

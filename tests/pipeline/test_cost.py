"""The cost of a plan: counted where it can be, measured where it must be, honest where neither."""

from __future__ import annotations

import json
import tempfile

import numpy as np
import pytest
from refusal import RECIPE, exr_plate, light, write_recipe
from support import run, snapshot, write_exr

from gradeprep.pipeline import cost
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe

THREE = """\
gradeprep: 1
defaults:
  space: ACEScg
  stages: [{pull: {stops: -1}}]
  output: {plate: "out/{shot}/{shot}.####.exr", compression: none}
shots:
  small: {plate: small}
  large: {plate: large}
  lifted: {plate: small, stages: [{lift: {stops: 1}}, {pull: {stops: -1}}]}
"""


@pytest.fixture
def plan(tmp_path):
    exr_plate(tmp_path / "small", 4)
    for number in (1001, 1002):
        write_exr(tmp_path / "large" / f"l.{number}.exr", light(height=120, width=160))
    return make_plan(read_recipe(write_recipe(tmp_path, THREE)), tmp_path, Options())


@pytest.fixture
def ticks(monkeypatch):
    """Every sample takes half a processor second."""
    told = iter(range(10_000))
    monkeypatch.setattr(cost.time, "process_time", lambda: next(told) * 0.5)


def sources(tmp_path, name):
    return sum(path.stat().st_size for path in (tmp_path / name).iterdir())


def test_kinds_share_a_sample_scaled_by_size(plan, ticks, tmp_path):
    told = cost.estimate(plan, workers=2, patience=60.0)
    shots = told.shots
    assert {name: shot.source for name, shot in shots.items()} == {
        "small": "measured",
        "large": "like small",
        "lifted": "measured",
    }
    assert shots["small"].seconds == pytest.approx(0.5, rel=0.01)
    scale = sources(tmp_path, "large") / 2 / (sources(tmp_path, "small") / 4)
    assert shots["large"].seconds == pytest.approx(0.5 * scale, rel=0.01)
    assert told.frames == 10
    assert told.bytes_read == 2 * sources(tmp_path, "small") + sources(tmp_path, "large")
    assert told.processor_seconds == pytest.approx(4.0 + scale, rel=0.01)
    assert told.wall_seconds == pytest.approx(told.processor_seconds / 2)
    assert told.read_rate == pytest.approx(told.bytes_read / told.wall_seconds)
    assert told.write_rate == pytest.approx(told.bytes_written / told.wall_seconds)


def test_more_processors_than_frames_do_not_make_a_frame_faster(plan, ticks):
    told = cost.estimate(plan, workers=1000, patience=60.0)
    assert told.wall_seconds == max(shot.seconds for shot in told.shots.values())


def test_bytes_written_are_those_of_the_results(plan, tmp_path, capsys):
    told = cost.estimate(plan, workers=1, patience=60.0)
    assert run(capsys, "run", tmp_path / "recipe.yaml", "--jobs", "1", "--quiet").code == 0
    for name in ("small", "lifted"):
        written = sum(path.stat().st_size for path in (tmp_path / "out" / name).glob("*.exr"))
        assert told.shots[name].bytes_written == pytest.approx(written, rel=0.1)


def test_time_that_runs_out_leaves_the_rest_to_their_size(plan, ticks, monkeypatch):
    clock = iter([0.0, 1.0, 3.0, 4.0, 5.0])
    monkeypatch.setattr(cost.time, "monotonic", lambda: next(clock))
    told = cost.estimate(plan, workers=1, patience=2.0)
    assert told.shots["lifted"].source == "by size"
    assert told.shots["lifted"].seconds == pytest.approx(0.5, rel=0.01)


def test_nobody_asked(plan, monkeypatch):
    monkeypatch.setattr(cost, "run_frame", None)
    told = cost.estimate(plan, workers=1, patience=0.0)
    assert (told.processor_seconds, told.wall_seconds, told.read_rate) == (None, None, None)
    assert {shot.source for shot in told.shots.values()} == {"unknown"}
    assert told.bytes_written == sum(shot.bytes_needed for shot in plan.shots.values())


def test_a_sample_that_fails_is_told_and_harms_nothing(tmp_path, capsys):
    planes = light()
    planes["R"][2, 2] = np.nan
    write_exr(tmp_path / "plate" / "quay.1001.exr", planes)
    recipe = write_recipe(tmp_path, RECIPE + "  other: {plate: plate}\n")
    recipe.write_text(
        recipe.read_text("utf-8").replace("defaults:", "defaults:\n  nonfinite: fail")
    )
    ran = run(capsys, "plan", recipe)
    assert (ran.code, ran.err) == (0, "")
    assert "not measured: quay frame 1001" in ran.out
    assert "1 samples are NaN or infinite" in ran.out


def test_no_room_for_a_sample(plan, monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    told = cost.estimate(plan, workers=1, patience=60.0)
    assert told.processor_seconds is None
    assert told.why.startswith("a temporary file cannot be written")


def test_the_command_tells_it_and_writes_nothing(plan, tmp_path, capsys):
    recipe = tmp_path / "recipe.yaml"
    before = snapshot(tmp_path)
    ran = run(capsys, "plan", recipe, "--workers", "400")
    assert ran.code == 0, ran
    told = ran.out.partition("\ncost\n")[2]
    assert "frames   10 in 3 shots" in told
    assert "on 400 processors" in told
    assert "measured on one frame of small, lifted" in told
    quick = run(capsys, "plan", recipe, "--quick", "--json")
    found = json.loads(quick.out)["cost"]
    assert (found["frames"], found["processor_seconds"]) == (10, None)
    assert "not measured: not requested" in run(capsys, "plan", recipe, "--quick").out
    assert snapshot(tmp_path) == before

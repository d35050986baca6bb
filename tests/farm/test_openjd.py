"""The Open Job Description template: valid for its reference program, run by it, mapped by it.

Revision 2023-09 with the extension TASK_CHUNKING (its RFC 0001); the program is openjd-cli.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest
import yaml
from farmed import HOSTILE, local_results, made, results, scene
from refusal import RECIPE, exr_plate, write_recipe

from gradeprep.farm.bundle import load
from gradeprep.farm.openjd import template
from gradeprep.model.framerange import FrameRange

pytest.importorskip("openjd.cli")

PROGRAM = (sys.executable, "-c", "from openjd.cli import main; main()")
TOLD = re.compile(r"openjd_progress: ([0-9.]+)")


def openjd(*arguments):
    command = (*PROGRAM, *map(str, arguments))
    return subprocess.run(command, capture_output=True, text=True, check=False)


def job(tmp_path, bundle, *options):
    """Run the whole job, the sealing at its end; the program on the nodes is this one."""
    node = tmp_path / "gradeprep"
    node.write_text(f'#!/bin/sh\nexec {sys.executable} -m gradeprep "$@"\n', encoding="utf-8")
    node.chmod(0o755)
    values = ("-p", f"file://{bundle / 'parameters.json'}", "-p", f"Gradeprep={node}")
    whole = ("--step", "collect", "--run-dependencies")
    return openjd("run", bundle / "template.yaml", *whole, *values, *options)


def test_the_job_runs_under_a_path_mapping_and_makes_what_one_run_makes(tmp_path, capsys):
    show = tmp_path / HOSTILE
    recipe = scene(show, 4)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / "bundle", "--chunk", 3)
    checked = openjd("check", bundle / "template.yaml")
    assert checked.returncode == 0, checked
    elsewhere = tmp_path / "else where"
    show.rename(elsewhere)
    rule = {
        "source_path_format": "POSIX",
        "source_path": str(show),
        "destination_path": str(elsewhere),
    }
    rules = json.dumps({"version": "pathmapping-1.0", "path_mapping_rules": [rule]})
    ran = job(tmp_path, bundle, "--path-mapping-rules", rules)
    assert ran.returncode == 0, ran
    assert results(elsewhere / "out") == alone
    assert not show.exists()
    said = [float(told) for told in TOLD.findall(ran.stdout)]
    assert said.count(100.0) == 3  # two chunks and the sealing


def test_a_chunk_that_fails_fails_the_job_and_says_why(tmp_path, capsys):
    recipe = scene(tmp_path, 2)
    bundle = made(capsys, recipe, tmp_path / "bundle")
    path = tmp_path / "plate" / "quay.1002.exr"
    path.write_bytes(path.read_bytes()[:400])
    ran = job(tmp_path, bundle)
    assert ran.returncode != 0
    assert "openjd_fail: quay frame 1002: " in ran.stdout
    assert not list((tmp_path / "out").rglob("*.stops.json"))
    assert len(list((tmp_path / "out").rglob("*.exr"))) == 1


NAMES = ("q" * 60, "q" * 61, "q" * 150, "ž" * 70, "a.b-c_d", "collect")


def test_names_and_numbers_that_are_hard_on_a_template(tmp_path, capsys):
    exr_plate(tmp_path / "plate", 1)
    shots = "".join(f'  "{name}": {{plate: plate}}\n' for name in NAMES)
    recipe = write_recipe(tmp_path, RECIPE.replace("  quay: {plate: plate}\n", shots))
    hard = recipe.rename(tmp_path / "a {{Param.Frames}} 'b\".yaml")
    bundle = made(capsys, hard, tmp_path / "bundle")
    checked = openjd("check", bundle / "template.yaml")
    assert checked.returncode == 0, checked
    told = yaml.safe_load((bundle / "template.yaml").read_text(encoding="utf-8"))
    assert told["name"] == "a __Param.Frames__ _b_"
    arguments = [step["script"]["actions"]["onRun"]["args"] for step in told["steps"][:-1]]
    assert [one[one.index("--shot") + 1] for one in arguments] == list(NAMES)
    assert len({step["name"] for step in told["steps"]}) == len(NAMES) + 1


@pytest.mark.parametrize("frames", ["-10--1", "-3,0,4-12x4", "7", "1-999x2,1000-1003"])
def test_frames_are_told_as_the_standard_writes_them(frames, tmp_path, capsys):
    bundle = load(made(capsys, scene(tmp_path, 1), tmp_path / "bundle"))
    mark = bundle.manifest.shots["quay"].model_copy(update={"frames": frames})
    manifest = bundle.manifest.model_copy(update={"shots": {"quay": mark}})
    told = template(manifest, name="x", chunk={"quay": 4})
    space = told["steps"][0]["parameterSpace"]["taskParameterDefinitions"][0]
    assert FrameRange.parse(space["range"]) == FrameRange.parse(frames)
    path = tmp_path / "template.yaml"
    path.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    assert openjd("check", path).returncode == 0

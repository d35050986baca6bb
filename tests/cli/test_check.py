"""``gradeprep check``: findings and comparisons from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from support import run, write_exr

from gradeprep.demo.sensor import Sensor

SPACE = ("--space", "ACEScg")


def ramp() -> np.ndarray:
    """Tones from 8 stops under grey to 2 over it, in steps wide enough to measure noise on."""
    tones = np.repeat(np.linspace(-8.0, 2.0, 30), 8)
    row = (0.18 * np.exp2(tones)).astype(np.float32)
    return np.repeat(np.tile(row, (96, 1))[..., None], 3, axis=2)


def shot(folder: Path, name: str, stops: float, *, frames: int = 3) -> str:
    for index in range(frames):
        rgb = Sensor().expose(ramp(), stops=stops, seed=[index, round(stops * 10)])
        planes = {c: rgb[..., i].astype(np.float16) for i, c in enumerate("RGB")}
        write_exr(folder / f"{name}.{1001 + index}.exr", planes)
    return str(folder / f"{name}.####.exr")


def document(capsys: pytest.CaptureFixture[str], *arguments: object, code: int = 0) -> Any:
    schema = json.loads(run(capsys, "schema", "check").out)
    ran = run(capsys, *arguments, "--json")
    assert ran.code == code, ran
    told = json.loads(ran.out)
    jsonschema.validate(told, schema)
    return told


def test_a_plate_is_looked_at(tmp_path, capsys):
    hot = shot(tmp_path, "hot", 2.0)
    told = document(capsys, "check", hot, *SPACE, "--stops", -2)
    (findings,) = told["shots"].values()
    assert findings
    assert all(finding["severity"] in ("note", "warn") for finding in findings)


def test_a_clipped_plate_says_where(tmp_path, capsys):
    hot = shot(tmp_path, "hot", 5.0)  # 0.72 * 32 is beyond the sensor's ceiling
    told = document(
        capsys, "check", hot, *SPACE, "--check", "clipping", "--set", "clipping.on=fail", code=1
    )
    (findings,) = told["shots"].values()
    assert {f["channel"] for f in findings if f["severity"] == "fail"} == {"R", "G", "B"}
    said = run(capsys, "check", hot, *SPACE, "--check", "clipping")
    assert "clipped" in said.out


def test_a_hot_plate_against_a_normal_one(tmp_path, capsys):
    hot, normal = shot(tmp_path, "hot", 3.0), shot(tmp_path, "normal", 0.0)
    asked = ("check", hot, "--against", normal, *SPACE, "--stops", -3, "--check", "pixels")
    told = document(capsys, *asked)["against"]
    assert told["hotter"]["stops"] == pytest.approx(3.0, abs=0.02)
    gains = [gain["gain_db"] for gain in told["gains"]]
    # EMVA 1288: +9.03 dB for three stops where shot noise rules, more where read noise does
    assert min(gains) > 8.0
    assert max(gains) < 18.1
    assert (
        told["range"]["normal"]["above"] - told["range"]["hot"]["above"]
        == pytest.approx(3.0, abs=0.05)
        or told["range"]["normal"]["end"] == "ceiling"
    )
    said = run(capsys, *asked)
    assert "both at one exposure" in said.out


def test_a_recipe_has_its_own_checks(tmp_path, capsys):
    shot(tmp_path, "hot", 1.0)
    (tmp_path / "broken.1001.exr").write_bytes(b"")
    recipe = tmp_path / "scene.yaml"
    recipe.write_text(
        "gradeprep: 1\n"
        "defaults: {space: ACEScg, checks: {pixels: {}}, output: {plate: 'o/{shot}.####.exr'}}\n"
        "shots:\n"
        "  hot: {plate: hot.####.exr, stages: [{pull: {stops: -1}}]}\n"
        "  broken: {plate: broken.####.exr, stages: [{pull: {stops: -1}}]}\n",
        encoding="utf-8",
    )
    told = document(capsys, "check", recipe, code=1)
    assert list(told["shots"]) == ["hot"]
    assert list(told["failed"]) == ["broken"]


BAD = {
    "unknown check": (("--check", "clippin"), "did you mean clipping?"),
    "unknown parameter": (("--set", "clipping.ceilin=1"), "check clipping: ceilin: unknown key"),
    "no setting": (("--set", "ceiling=1"), "CHECK.KEY=VALUE"),
    "no space": (("--check", "pixels"), "no input colour space given"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_clear_line(case, tmp_path, capsys):
    arguments, says = BAD[case]
    hot = shot(tmp_path, "hot", 1.0, frames=1)
    space = () if case == "no space" else SPACE
    ran = run(capsys, "check", hot, *arguments, *space)
    assert ran.code == 2
    assert says in ran.err
    assert "Traceback" not in ran.err


def test_a_failed_check_stops_its_shot_before_anything_is_written(tmp_path, capsys):
    shot(tmp_path, "clipped", 5.0)
    shot(tmp_path, "fine", 1.0)
    recipe = tmp_path / "scene.yaml"
    recipe.write_text(
        "gradeprep: 1\n"
        "defaults:\n"
        "  space: ACEScg\n"
        "  checks: {clipping: {on: fail}}\n"
        "  stages: [{pull: {stops: -1}}]\n"
        "  output: {plate: 'o/{shot}/{shot}.####.exr'}\n"
        "shots: {clipped: {plate: clipped.####.exr}, fine: {plate: fine.####.exr}}\n",
        encoding="utf-8",
    )
    ran = run(capsys, "run", recipe)
    assert ran.code == 1
    assert "clipped" in ran.err
    assert not (tmp_path / "o" / "clipped").exists()
    assert len(list((tmp_path / "o" / "fine").glob("*.exr"))) == 3

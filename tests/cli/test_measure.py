"""``gradeprep measure``: readings, curves and scenes from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from support import run, snapshot, write_exr

from gradeprep.model.stops import gain

CARD = (8, 6, 12, 12)
SPACE = ("--space", "ACEScg")


def picture(*, stops: float, seed: int = 0, shift: int = 0) -> dict[str, np.ndarray]:
    """A card in a graded, textured scene; noise of one percent."""
    rng = np.random.default_rng(1000 * seed + 17)
    rows, columns = np.mgrid[0:36, 0:64].astype(np.float64)
    scene = 0.18 * np.exp2(1.5 * np.sin((columns + shift) / 9.0) + np.cos(rows / 7.0))
    x, y, width, height = CARD
    scene[y : y + height, x : x + width] = 0.18
    noisy = scene * gain(stops) * (1.0 + 0.01 * rng.standard_normal((3, *scene.shape)))
    return {name: noisy[i].astype(np.float16) for i, name in enumerate("RGB")}


def plate(folder: Path, name: str, stops: list[float], *, shift: int = 0) -> str:
    for index, hot in enumerate(stops):
        planes = picture(stops=hot, seed=index + len(name), shift=shift)
        write_exr(folder / f"{name}.{1001 + index}.exr", planes)
    return str(folder / f"{name}.####.exr")


def document(capsys: pytest.CaptureFixture[str], kind: str, *arguments: object) -> Any:
    """The JSON of a command, checked against its shipped schema."""
    schema = json.loads(run(capsys, "schema", kind).out)
    ran = run(capsys, *arguments, "--json")
    assert ran.code == 0, ran
    told = json.loads(ran.out)
    jsonschema.validate(told, schema)
    return told


def test_a_card_says_how_hot_a_plate_is(tmp_path, capsys):
    hot = plate(tmp_path, "hot", [2.0, 2.0, 2.0])
    asked = ("measure", hot, "--meter", "grey_card", "--region", *CARD, *SPACE)
    told = document(capsys, "measure", *asked)
    assert told["space"] == "ACEScg"
    assert told["reading"]["stops"] == pytest.approx(-2.0, abs=0.02)
    assert 0.0 < told["reading"]["sigma"] < 0.02
    said = run(capsys, *asked)
    assert said.code == 0
    assert "pull by  -2.0" in said.out or "pull by  -1.99" in said.out


def test_drifting_light_comes_out_as_keys(tmp_path, capsys):
    hot = plate(tmp_path, "drift", [2.0 - 0.1 * i for i in range(10)])
    asked = ("measure", hot, "--meter", "grey_card", "--region", *CARD, "--per-frame", *SPACE)
    told = document(capsys, "measure", *asked)
    keys = {int(frame): stops for frame, stops in told["curve"]["keys"].items()}
    assert keys[1001] == pytest.approx(-2.0, abs=0.03)
    assert keys[1010] == pytest.approx(-1.1, abs=0.03)
    assert len(keys) == 2
    assert len(told["frames"]) == 10
    assert "pull: {stops: {1001: -2.0" in run(capsys, *asked).out.replace("-1.99", "-2.0")


def test_another_plate_serves_as_reference(tmp_path, capsys):
    hot = plate(tmp_path, "hot", [3.0])
    hero = plate(tmp_path, "hero", [1.0])
    told = document(
        capsys, "measure", "measure", hot, "--meter", "reference", "--set", "mode=frame",
        "--reference", hero, "--reference-stops", -1, *SPACE,
    )  # fmt: skip
    assert told["reading"]["stops"] == pytest.approx(-3.0, abs=0.02)


SCENE = """\
gradeprep: 1
defaults:
  space: ACEScg  # the same camera for all
  output: {plate: "out/{shot}.####.exr"}
shots:
  hero:
    plate: "hero.####.exr"
    stages: [{pull: {stops: -1.0}}]
  second:   # shot after lunch
    plate: "second.####.exr"
    stages:
      - pull: {stops: 0}  # nobody knows
  third:
    plate: "third.####.exr"
    stages: [{pull: {stops: {meter: grey_card, region: [8, 6, 12, 12]}}}]
"""


def scene(folder: Path) -> Path:
    plate(folder, "hero", [1.0])
    plate(folder, "second", [2.0])
    plate(folder, "third", [0.5])
    path = folder / "scene.yaml"
    path.write_text(SCENE, encoding="utf-8")
    return path


def test_a_scene_is_solved_together(tmp_path, capsys):
    told = document(capsys, "scene", "measure", "--scene", scene(tmp_path), "--hero", "hero")
    stops = {name: shot["stops"] for name, shot in told["shots"].items()}
    assert stops["hero"] == -1.0
    assert stops["second"] == pytest.approx(-2.0, abs=0.03)
    assert stops["third"] == pytest.approx(-0.5, abs=0.03)
    assert told["hero"] == "hero"


def test_a_scene_is_written_into_its_recipe(tmp_path, capsys):
    path = scene(tmp_path)
    assert run(capsys, "measure", "--scene", path, "--hero", "hero", "--write").code == 0
    text = path.read_text(encoding="utf-8")
    for comment in ("# the same camera for all", "# shot after lunch", "# nobody knows"):
        assert comment in text
    assert "stages: [{pull: {stops: -1.0}}]" in text
    done = run(capsys, "run", path, "--json")
    assert done.code == 0, done.err
    frames = json.loads(done.out)["second"]["record"]["frames"]
    assert frames[0]["stops"] == pytest.approx(-2.0, abs=0.03)


BAD = {
    "outside": (("--meter", "grey_card", "--region", 60, 30, 12, 12), 2, "reaches out of"),
    "three pixels": (("--meter", "grey_card", "--region", 9, 9, 3, 1), 2, "3 pixels"),
    "no region": (("--meter", "grey_card"), 2, "region"),
    "no meter": (("--meter", "grey_cart"), 2, "did you mean grey_card?"),
    "odd setting": (("--meter", "average", "--set", "kee=1"), 2, "kee"),
    "no setting": (("--meter", "average", "--set", "key"), 2, "KEY=VALUE"),
    "one frame": (
        ("--meter", "grey_card", "--region", *CARD, "--frames", 1001, "--per-frame"),
        2,
        "nothing changes over time",
    ),
    "nothing to read": ((), 2, "--meter"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_clear_line(case, tmp_path, capsys):
    arguments, code, says = BAD[case]
    hot = plate(tmp_path, "hot", [2.0, 2.0])
    before = snapshot(tmp_path)
    ran = run(capsys, "measure", hot, *arguments, *SPACE)
    assert ran.code == code
    assert says in ran.err
    assert "Traceback" not in ran.err
    assert len([line for line in ran.err.splitlines() if line.startswith("gradeprep")]) <= 1
    assert snapshot(tmp_path) == before


def test_plates_with_nothing_in_common_are_refused(tmp_path, capsys):
    one = plate(tmp_path, "one", [0.0])
    rows, columns = np.mgrid[0:36, 0:64]
    other = (0.18 * np.exp2(3.0 * np.cos(rows / 4.0) * np.cos(columns / 5.0))).astype(np.float16)
    write_exr(tmp_path / "other.1001.exr", dict.fromkeys("RGB", other))
    ran = run(
        capsys, "measure", one, "--meter", "reference", "--set", "mode=frame",
        "--reference", tmp_path / "other.####.exr", *SPACE,
    )  # fmt: skip
    assert ran.code == 2
    assert "too little in common" in ran.err


def test_notes_with_an_impossible_value_are_refused(tmp_path, capsys):
    hot = plate(tmp_path, "hot", [2.0])
    notes = tmp_path / "notes.csv"
    notes.write_text("shot,aperture,angle_deg,rate_fps,index,ev100\nplate,5.6,400,24,800,12\n")
    ran = run(capsys, "measure", hot, "--meter", "notes", "--set", f"file={notes}", *SPACE)
    assert ran.code == 2
    assert "notes.csv" in ran.err
    assert "angle" in ran.err

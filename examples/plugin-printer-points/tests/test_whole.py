"""The installed package through the program: run, read, restore, check, hand over."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from printer_points.points import STOPS

from gradeprep.cli import main
from gradeprep.plugins.testing import hot_plate

RECIPE = """\
gradeprep: 1
defaults: {space: ACEScg, output: {plate: "back/{shot}/{shot}.####.exr"}}
shots:
  quay:
    plate: hot/quay.####.exr
    stages: [{printer_points: {points: [-18, -19, -18]}}]
    checks: {printer_range: {}}
  loft:
    plate: hot/quay.####.exr
    stages: [{pull: {stops: {meter: top_light, share: 0.02}}}]
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hot").mkdir()
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    for number, picture in hot_plate().pictures.items():
        planes = {c: np.ascontiguousarray(picture[..., i], np.float16) for i, c in enumerate("RGB")}
        OpenEXR.File(header, planes).write(f"hot/quay.{number}.exr")
    Path("recipe.yaml").write_text(RECIPE, encoding="utf-8")
    return tmp_path


def gradeprep(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr("sys.argv", ["gradeprep", *arguments])
    with pytest.raises(SystemExit) as left:
        main()
    return int(left.value.code or 0)


def planes(name: str) -> np.ndarray:
    channels = OpenEXR.File(name, separate_channels=True).parts[0].channels
    return np.stack([channels[c].pixels for c in "RGB"], axis=-1)


def test_the_whole_way(folder, monkeypatch, capsys):
    assert gradeprep(monkeypatch, "plugins") == 0
    assert capsys.readouterr().out.count("gradeprep-printer-points 1.0") == 4

    assert gradeprep(monkeypatch, "run", "recipe.yaml", "--jobs", "1", "--quiet") == 0
    source, result = planes("hot/quay.1002.exr"), planes("back/quay/quay.1002.exr")
    wanted = source * np.exp2(np.asarray([-18, -19, -18]) * STOPS)
    np.testing.assert_allclose(result, wanted, rtol=2.0**-11)  # a half's rounding

    told = json.loads(Path("back/quay/quay.stops.json").read_text(encoding="utf-8"))
    assert told["frames"][0]["kernels"] == ["half-table"]  # a plain gain, said by `gains`
    assert told["findings"] == []
    (reading,) = json.loads(Path("back/loft/loft.stops.json").read_text("utf-8"))["readings"]
    assert reading["meter"] == "top_light"

    assert gradeprep(monkeypatch, "audit", "back/quay/quay.stops.json") == 0
    assert gradeprep(monkeypatch, "restore", "back/quay/quay.stops.json", "again") == 0
    back = planes("again/quay.1002.exr")
    assert (np.abs(back.astype(np.float64) - source) <= np.spacing(source)).all()  # as it promises

    capsys.readouterr()
    arguments = ("handover", "recipe.yaml", "--as", "light_list", "-o", "out")
    assert gradeprep(monkeypatch, *arguments) == 0
    assert "read back: 2 runs of frames" in capsys.readouterr().out
    lines = Path("out/recipe.lights.csv").read_text(encoding="utf-8").splitlines()
    assert lines[1] == "quay,1001-1003,-18.00,-19.00,-18.00"


def test_the_meter_and_the_check_by_themselves(folder, monkeypatch, capsys):
    measure = ("measure", "hot/quay.####.exr", "--meter", "top_light", "--space", "ACEScg")
    assert gradeprep(monkeypatch, *measure, "--set", "tone=0.5", "--json") == 0
    assert json.loads(capsys.readouterr().out)["reading"]["stops"] < -3.0
    check = ("check", "hot/quay.####.exr", "--space", "ACEScg", "--check", "printer_range")
    assert gradeprep(monkeypatch, *check, "--stops", "-3", "--json") == 0
    ((found,),) = json.loads(capsys.readouterr().out)["shots"].values()
    assert "-11." in found["what"]


def test_what_is_wrong_in_a_recipe_is_told_with_its_line(folder, monkeypatch, capsys):
    text = RECIPE.replace("points: [-18, -19, -18]", "point: [-24, -25]").replace(
        "share: 0.02", "share: much"
    )
    Path("recipe.yaml").write_text(text.replace("{printer_range: {}}", "{printer_range: {amm: 1}}"))
    assert gradeprep(monkeypatch, "plan", "recipe.yaml") == 2
    told = capsys.readouterr().err.splitlines()
    assert [line.partition("recipe.yaml: ")[2] for line in told] == [
        "line 6: shots.quay.stages[0].printer_points.point: unknown key 'point'; "
        "did you mean points?",
        "line 6: shots.quay.stages[0].printer_points.points: missing",
        "line 7: shots.quay.checks.printer_range.amm: unknown key 'amm'; did you mean aim?",
        "line 10: shots.loft.stages[0].pull.stops.share: must be a number, not 'much'",
    ]

"""Each script and notebook in examples/ runs as a person would start it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from refusal import exr_plate, write_recipe
from support import write_exr

EXAMPLES = Path(__file__).parent.parent / "examples"


def start(script: str, *arguments: object, folder: Path) -> str:
    done = subprocess.run(
        [sys.executable, str(EXAMPLES / script), *map(str, arguments)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_pull_a_plate(tmp_path: Path) -> None:
    for frame in (1001, 1002):
        planes = {name: np.full((4, 6), 0.72, np.float16) for name in "RGB"}
        write_exr(tmp_path / f"hot.{frame}.exr", planes)
    said = start(
        "pull_a_plate.py", "hot.####.exr", "normal/hot.####.exr", -2, "ACEScg", folder=tmp_path
    )
    assert "2 frames by -2 stops" in said
    assert "half-table" in said
    assert sorted(path.name for path in (tmp_path / "normal").iterdir()) == [
        "hot.1001.exr",
        "hot.1002.exr",
        "plate.stops.json",
    ]


def test_farm_bundle(tmp_path: Path) -> None:
    exr_plate(tmp_path / "plate", 2)
    said = start("farm_bundle.py", write_recipe(tmp_path), "bundle", folder=tmp_path)
    assert "quay 1001-1002: 2 done, 0 failed" in said
    assert said.endswith("quay: sealed\n")
    assert (tmp_path / "bundle" / "template.yaml").exists()
    assert (tmp_path / "out" / "quay" / "quay.stops.json").exists()


def test_every_example_is_run() -> None:
    told = Path(__file__).read_text(encoding="utf-8")
    for script in (*EXAMPLES.glob("*.py"), *EXAMPLES.glob("*.ipynb")):
        assert f'"{script.name}"' in told


def test_photometric_pull(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("matplotlib").use("Agg")
    from matplotlib import pyplot

    monkeypatch.setattr(pyplot, "show", lambda: pyplot.close("all"))
    notebook = json.loads((EXAMPLES / "photometric_pull.ipynb").read_text(encoding="utf-8"))
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert [cell["outputs"] or cell["execution_count"] for cell in cells] == [None] * len(cells)
    names: dict[str, Any] = {}
    for cell in cells:
        exec("".join(cell["source"]), names)
    grey = np.argmin(np.abs(names["tones"]))
    at_grey = names["errors"]["right_at_grey"]
    assert len(names["spaces"]) > 10
    assert np.abs(at_grey[:, grey]).max() < 0.001
    assert np.nanmax(np.abs(at_grey)) > 1
    assert names["pull_error"] < 0.001

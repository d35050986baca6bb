"""Each script and notebook in examples/ runs as a person would start it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import PyOpenColorIO as ocio
import pytest
from filmed import edl, write_plate
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


def read(path: Path) -> np.ndarray:
    """Float32 H x W x 3."""
    planes = OpenEXR.File(str(path), separate_channels=True).channels()
    return np.stack([planes[name].pixels for name in "RGB"], axis=-1).astype(np.float32)


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


def test_scene_with_reference(tmp_path: Path) -> None:
    """The second shot is the hero's scene at half its exposure, so it takes one stop less."""
    patches = np.random.default_rng(7).uniform(0.05, 0.4, (6, 8))
    scene = np.kron(patches, np.ones((16, 16)))
    for name, gain in (("hero", 4.0), ("second", 2.0)):
        planes = {channel: (scene * gain).astype(np.float16) for channel in "RGB"}
        write_exr(tmp_path / f"{name}.1001.exr", planes)
    said = start(
        *("scene_with_reference.py", -2, "ACEScg", "out", "hero.####.exr", "second.####.exr"),
        folder=tmp_path,
    )
    hero, second = (line.split() for line in said.splitlines())
    assert hero[:2] == ["hero:", "-2.000"]
    assert float(second[1]) == pytest.approx(-1.0, abs=0.002)
    normal = [read(tmp_path / "out" / n / f"{n}.1001.exr") for n in ("hero", "shot_2")]
    assert np.log2(normal[0] / normal[1]) == pytest.approx(0.0, abs=0.004)  # halves, rounded


def test_conform_to_aces(tmp_path: Path) -> None:
    """Against OpenColorIO alone; the container as ampas/aces_container writes it."""
    write_plate(tmp_path / "plates", "quay", "10:00:00:00", kind="dpx")
    event = "001  quay V C 10:00:00:10 10:00:00:12 01:00:00:00 01:00:00:02"
    edl(tmp_path / "cut.edl", event, "* FROM CLIP NAME: quay")
    said = start(
        *("conform_to_aces.py", "cut.edl", "plates", -1, "ACEScct", "aces"), folder=tmp_path
    )
    assert said.startswith("quay: 1003-1020 of ACES2065-1")  # two frames, eight on either side

    result = tmp_path / "aces" / "quay" / "quay.1011.exr"
    header = OpenEXR.File(str(result)).header()
    assert header["acesImageContainerFlag"] == 1
    assert header["compression"] == OpenEXR.NO_COMPRESSION
    light = np.full((2, 4, 3), 500 / 1023, np.float32)  # the code that the plate holds
    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    way = config.getProcessor("ACEScct", "ACES2065-1").getDefaultCPUProcessor()
    way.applyRGB(light)
    assert read(result) == pytest.approx(light / 2, rel=2**-11 + 1e-5, abs=2**-24)


def test_on_set_card(tmp_path: Path) -> None:
    """A hot code, shown: as the same light one stop lower would have been encoded."""
    said = start("on_set_card.py", "ACEScct", "monitor", -1, folder=tmp_path)
    assert "1 stop hot" in said
    (clf,) = (tmp_path / "monitor").glob("*.clf")
    shown = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(str(clf)))
    code = np.array([[0.5, 0.5, 0.5]], np.float32)
    shown.getDefaultCPUProcessor().applyRGB(code)
    assert code == pytest.approx(0.5 - 1 / 17.52, abs=1e-6)  # ACEScct, Academy S-2016-001


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

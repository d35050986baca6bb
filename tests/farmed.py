"""What the tests of farms share: bundles of small plates, and runs on one machine to compare."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from refusal import RECIPE, exr_plate, write_recipe
from support import run

__all__ = ["HOSTILE", "local_results", "made", "results", "scene"]

HOSTILE = 'it\'s a "show" $HOME `id` %d {{Param.X}} a=b #1; \\ \n:end'
"""A folder's name with whatever shells, make, YAML, templates and option parsers read."""


def scene(folder: Path, frames: int = 5, text: str = RECIPE) -> Path:
    """A recipe of one shot, with its plate."""
    exr_plate(folder / "plate", frames)
    return write_recipe(folder, text)


def made(capsys: pytest.CaptureFixture[str], recipe: Path, out: Path, *options: object) -> Path:
    """A bundle of a recipe."""
    ran = run(capsys, "farm", recipe, "-o", out, *options)
    assert ran.code == 0, ran
    return out


def local_results(capsys: pytest.CaptureFixture[str], recipe: Path) -> dict[str, bytes]:
    """What a run on this machine makes of a recipe; it is taken away again."""
    ran = run(capsys, "run", recipe, "--jobs", "1", "--quiet")
    assert ran.code == 0, ran
    found = results(recipe.parent / "out")
    shutil.rmtree(recipe.parent / "out")
    return found


def results(folder: Path) -> dict[str, bytes]:
    """All files below a folder, hidden ones too; sidecars without their dated block."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            content = path.read_bytes()
            if path.name.endswith(".stops.json"):
                told = json.loads(content)
                assert set(told.pop("dated")) == {"written"}
                content = json.dumps(told).encode()
            found[str(path.relative_to(folder))] = content
    return found

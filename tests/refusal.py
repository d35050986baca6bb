"""What the tests of bad input share: plates to spoil, and what every refusal has to keep."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support import Ran, run, snapshot, write_dpx, write_exr

__all__ = [
    "ACESCCT",
    "ACESCG",
    "RECIPE",
    "codes",
    "dpx_plate",
    "exr_plate",
    "light",
    "refused",
    "speaks_plainly",
    "write_recipe",
]

ACESCG = ("--stops", "-1", "--space", "ACEScg", "--jobs", "1", "--quiet")
ACESCCT = ("--stops", "-1", "--space", "ACEScct", "--jobs", "1", "--quiet")

RECIPE = """\
gradeprep: 1
defaults:
  space: ACEScg
  stages: [{pull: {stops: -1}}]
  output: {plate: "out/{shot}/{shot}.####.exr"}
shots:
  quay: {plate: plate}
"""

INNER_WORDS = ("Traceback", "internal error", "Errno", "pydantic", "gradeprep.", " object at 0x")
"""What only somebody who writes Python could make something of."""


def light(
    names: str = "RGB", *, height: int = 12, width: int = 16, dtype: Any = np.float16, seed: int = 0
) -> dict[str, np.ndarray]:
    """Planes of scene light, 0 to 4."""
    random = np.random.default_rng(seed)
    return {name: (random.random((height, width)) * 4).astype(dtype) for name in names}


def codes(
    names: str = "RGB", *, height: int = 12, width: int = 16, bits: int = 10, seed: int = 0
) -> dict[str, np.ndarray]:
    """Planes of code values."""
    random = np.random.default_rng(seed)
    dtype = np.uint8 if bits == 8 else np.uint16
    return {name: random.integers(0, 1 << bits, (height, width)).astype(dtype) for name in names}


def exr_plate(folder: Path, frames: int = 3, **header: Any) -> Path:
    """A folder with quay.1001.exr and on, every frame another picture."""
    for index in range(frames):
        write_exr(folder / f"quay.{1001 + index}.exr", light(seed=index), **header)
    return folder


def dpx_plate(folder: Path, frames: int = 3) -> Path:
    """A folder with quay.1001.dpx and on, every frame another picture."""
    for index in range(frames):
        write_dpx(folder / f"quay.{1001 + index}.dpx", codes(seed=index))
    return folder


def write_recipe(folder: Path, text: str = RECIPE, **instead: str) -> Path:
    """A recipe in a folder; each keyword's value stands for the line with that key."""
    for key, value in instead.items():
        (line,) = (line for line in text.splitlines() if line.lstrip().startswith(f"{key}:"))
        text = text.replace(line, value)
    path = folder / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def speaks_plainly(ran: Ran) -> None:
    """Errors are lines for artists: no traceback, no name of anything inside the program."""
    for word in INNER_WORDS:
        assert word not in ran.err, ran
    told = [line for line in ran.err.splitlines() if line.startswith(("gradeprep: ", "Error: "))]
    assert told, ran
    assert told[-1] == ran.err.splitlines()[-1], ran


def refused(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    arguments: Sequence[object],
    *says: str,
    code: int,
) -> Ran:
    """Run the program: it says all of that in one line, exits so, and touches nothing."""
    before = snapshot(folder)
    ran = run(capsys, *arguments)
    assert ran.code == code, ran
    assert ran.out == "", ran
    speaks_plainly(ran)
    assert any(all(part in line for part in says) for line in ran.err.splitlines()), ran
    assert snapshot(folder) == before
    return ran

"""A small scene for tests of the report: two shots that were run, and what may be done to them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from support import write_exr

from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners.job import run_plan
from gradeprep.runners.local import Local

__all__ = ["RECIPE", "write_scene"]

RECIPE = """\
gradeprep: 1
colour: {look: warm.clf}
defaults:
  space: ACEScg
  checks: {clipping: {}}
  output: {plate: "out/{shot}/{shot}.####.exr"}
shots:
  calm:
    plate: "hot/calm.####.exr"
    stages: [{pull: {stops: {meter: grey_card, region: [2, 2, 8, 8]}}}]
  burnt:
    plate: "hot/burnt.####.exr"
    stages:
      - lift: {stops: 0.5, below: -3, softness: 3}
      - pull: {stops: {1001: -2.5, 1003: -1.5}}
    carried: {note: "<script>alert(1)</script>"}
"""

CLF = """\
<?xml version="1.0"?>
<ProcessList xmlns="http://www.smpte-ra.org/ns/2136-1/2024" id="warm" compCLFversion="3">
<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">1.1 0 0 0 1 0 0 0 0.9</Array></Matrix>
</ProcessList>
"""


def write_scene(
    folder: Path, *, ran: bool = True, size: tuple[int, int] = (48, 96), aspect: float = 1.0
) -> Path:
    """Plates, look and recipe; run where that is wished. Returns the recipe's path."""
    height, width = size
    random = np.random.default_rng(7)
    ramp = np.exp2(np.linspace(-6.0, 4.5, width))[None, :].repeat(height, axis=0) * 0.18
    for name, top in (("calm", np.inf), ("burnt", 2.0)):
        for number in (1001, 1002, 1003):
            light = ramp + np.sqrt(0.002 * ramp) * random.normal(size=ramp.shape)
            light[2:10, 2:10] = 0.72 + 0.002 * random.normal(size=(8, 8))
            planes = dict.fromkeys("RGB", np.minimum(light, top).astype(np.float16))
            path = folder / f"hot/{name}.{number}.exr"
            write_exr(path, planes, pixelAspectRatio=aspect)
    (folder / "warm.clf").write_text(CLF, "utf-8")
    path = folder / "scene.yaml"
    path.write_text(RECIPE, "utf-8")
    if ran:
        plan = make_plan(read_recipe(path), folder, Options())
        assert run_plan(plan, engine=Local(1)).clean
    return path

"""A plugin package that misbehaves on request, installed into a folder for other processes."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

__all__ = ["environment"]

_STAGE = '''\
import multiprocessing, os, time
from pydantic import BaseModel

class Params(BaseModel, extra="forbid"):
    crash_at: int = 0

class Clumsy:
    """Changes nothing; dies at one frame, and takes its time where the environment says so."""
    name, summary, Params = "clumsy", "misbehaves on request", Params
    def decide(self, params, frame): return {"crash": float(params.crash_at == frame)}
    def exposure(self, numbers): return 0.0
    def gains(self, numbers): return None
    def slope(self, numbers): return 1.0
    def apply(self, rgb, numbers, light):
        if numbers["crash"] and multiprocessing.parent_process() is not None:
            os._exit(9)
        time.sleep(float(os.environ.get("CLUMSY_PAUSE", "0")))
        return rgb
    def inverse(self, rgb, numbers, light): return rgb
'''

_ENTRY_POINTS = """\
[gradeprep.stages]
clumsy = clumsy_stage:Clumsy
absent = no_such_module:Stage

[gradeprep.meters]
twice = clumsy_stage:One
twice2 = clumsy_stage:Clumsy
"""


def environment(folder: Path, **more: str) -> Mapping[str, str]:
    """Install the package there; the environment of a process that is to see it."""
    info = folder / "clumsy-1.0.dist-info"
    info.mkdir(parents=True, exist_ok=True)
    (folder / "clumsy_stage.py").write_text(_STAGE, encoding="utf-8")
    (info / "METADATA").write_text("Name: clumsy\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(_ENTRY_POINTS, encoding="utf-8")
    return {**os.environ, "PYTHONPATH": str(folder), **more}

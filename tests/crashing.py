"""A plugin package that crashes its process for real, installed into a folder for other processes.

Where and over what stands in the environment: ``CRASH_IN`` is ``stage``, ``meter``, ``check``,
``import`` or ``library``, ``CRASH_AT`` a part of the file's, shot's or frame's name; it hangs
instead where ``CRASH_HOW`` is ``hang``. The library is a module that stands before the real one
in the path, and is it in all else.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

__all__ = ["environment"]

_PLUGIN = """\
import ctypes, os, time
from pydantic import BaseModel
from gradeprep.model.record import Reading

def crash(place, told):
    if os.environ.get("CRASH_IN") != place or os.environ.get("CRASH_AT", "") not in str(told):
        return
    if os.environ.get("CRASH_HOW") == "hang":
        ctypes.PyDLL(None).pause()  # in native code, with Python's lock held
    ctypes.string_at(0)

crash("import", "")

class Params(BaseModel, extra="forbid"):
    pass

class Stage:
    name, summary, Params = "crashing", "crashes", Params
    def decide(self, params, frame): return {"frame": float(frame)}
    def exposure(self, numbers): return 0.0
    def gains(self, numbers): return None
    def slope(self, numbers): return 1.0
    def apply(self, rgb, numbers, light):
        crash("stage", int(numbers["frame"]))
        return rgb
    def inverse(self, rgb, numbers, light): return rgb

class Meter:
    name, summary, Params = "crashing", "crashes", Params
    def read(self, view, params):
        crash("meter", view.shot)
        return Reading(meter="crashing", stops=-1.0, sigma=0.1)

class Check:
    name, summary, Params = "crashing", "crashes", Params
    def look(self, view, params):
        crash("check", view.shot)
        return ()
"""

_LIBRARY = """\
import sys
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
from pathlib import Path
from crashing_plugin import crash

spec = PathFinder.find_spec("OpenEXR", [p for p in sys.path if p != str(Path(__file__).parent)])
real = sys.modules["OpenEXR"] = module_from_spec(spec)
spec.loader.exec_module(real)

class File(real.File):
    def __init__(self, *told, **more):
        if told and isinstance(told[0], str):
            crash("library", told[0])
        super().__init__(*told, **more)

real.File = File
"""

_ENTRY_POINTS = """\
[gradeprep.stages]
crashing = crashing_plugin:Stage

[gradeprep.meters]
crashing = crashing_plugin:Meter

[gradeprep.checks]
crashing = crashing_plugin:Check
"""


def environment(folder: Path, place: str, at: object, **more: str) -> Mapping[str, str]:
    """Install the package there; the environment of a process that is to crash."""
    info = folder / "crashing-1.0.dist-info"
    info.mkdir(parents=True, exist_ok=True)
    (folder / "crashing_plugin.py").write_text(_PLUGIN, encoding="utf-8")
    (folder / "OpenEXR.py").write_text(_LIBRARY, encoding="utf-8")
    (info / "METADATA").write_text("Name: crashing\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(_ENTRY_POINTS, encoding="utf-8")
    told = {"PYTHONPATH": str(folder), "CRASH_IN": place, "CRASH_AT": str(at)}
    return {**os.environ, **told, **more}

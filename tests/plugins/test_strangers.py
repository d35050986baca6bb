"""Plugins of other packages through the program: whatever is wrong is named, nothing else stops."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from refusal import ACESCG, RECIPE, exr_plate, write_recipe
from support import run

from gradeprep.plugins.registry import installed

PLAIN = """\
from pydantic import BaseModel, Field
from gradeprep.errors import WriteError
from gradeprep.model.record import Finding, Reading
from gradeprep.plugins.contracts import Document

class Params(BaseModel, extra="forbid"):
    amount: float = Field(0.0, description="Of anything")

class Plain:
    name, summary, Params = "plain", "does nothing", Params

class Stage(Plain):
    def decide(self, params, frame): return {"amount": params.amount}
    def exposure(self, numbers): return 0.0
    def gains(self, numbers): return None
    def slope(self, numbers): return 1.0
    def apply(self, rgb, numbers, light): return rgb
    def inverse(self, rgb, numbers, light): return rgb

class Meter(Plain):
    def read(self, plate, params): return Reading(meter="plain", stops=-1.0, sigma=0.1)

class Check(Plain):
    def look(self, plate, params): return iter(())

class Handover(Plain):
    def make(self, shots, params, title):
        names = tuple(one.record.shot for one in shots)
        return [Document(name="a.txt", text="text", shots=names, prove=self.prove)]
    def prove(self, path): return "read back"
"""
KINDS = {"stages": "Stage", "meters": "Meter", "checks": "Check", "handovers": "Handover"}


@pytest.fixture
def stranger(tmp_path, monkeypatch):
    """Installs packages into a folder on the path of this process, and takes them away again."""
    site = tmp_path / "site"
    site.mkdir()
    before = set(sys.modules)
    monkeypatch.syspath_prepend(site)

    def install(name: str, text: str = "", *, plugin: str = "plain") -> None:
        module = f"stranger_{name}"
        (site / f"{module}.py").write_text(PLAIN + text, encoding="utf-8")
        info = site / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Name: {name}\nVersion: 1.0\n", encoding="utf-8")
        points = "".join(
            f"[gradeprep.{kind}]\n{plugin} = {module}:{one}\n" for kind, one in KINDS.items()
        )
        (info / "entry_points.txt").write_text(points, encoding="utf-8")
        installed.cache_clear()

    yield install
    installed.cache_clear()
    for name in set(sys.modules) - before:
        if name.startswith("stranger_"):
            del sys.modules[name]


def asking(folder: Path, **asked: str) -> Path:
    """A recipe of one shot that asks for a plain stage, or for what is said."""
    exr_plate(folder / "plate")
    stages = asked.get("stages", "[{plain: {}}, {pull: {stops: -1}}]")
    checks = asked.get("checks", "{}")
    text = RECIPE.replace("stages: [{pull: {stops: -1}}]", f"stages: {stages}\n  checks: {checks}")
    return write_recipe(folder, text)


METER = {"stages": "[{pull: {stops: {meter: plain}}}]"}
CHECK = {"stages": "[{pull: {stops: -1}}]", "checks": "{plain: {}}"}

PLANNED = [
    ({}, "Stage.decide = lambda self, p, f: {}[1]", "failed with KeyError: 1"),
    ({}, "Stage.decide = lambda self, p, f: {'a': None}", "stage plain: "),
    ({}, "Stage.exposure = lambda self, n: 1 / 0", "failed with ZeroDivisionError"),
    (METER, "Meter.read = lambda self, plate, p: 1 / 0", "failed with ZeroDivisionError"),
    (METER, "Meter.read = lambda self, plate, p: 1.0", "returned float, not a Reading"),
    (CHECK, "Check.look = lambda self, plate, p: None", "failed with TypeError"),
    (CHECK, "Check.look = lambda self, plate, p: ['dark']", "yielded str, not a Finding"),
]


@pytest.mark.parametrize(("asked", "text", "says"), PLANNED)
def test_what_fails_in_the_plan_is_one_line_and_nothing_is_written(
    stranger, tmp_path, capsys, asked, text, says
):
    stranger("trade", text)
    ran = run(capsys, "run", asking(tmp_path, **asked), "--jobs", "1")
    assert ran.code == 2
    (line,) = ran.err.splitlines()
    assert says in line
    assert "quay" in line or "stage plain" in line
    if says != "stage plain: ":
        assert "plain from trade 1.0: " in line
        assert line.endswith("report it to its author, and do not use it until it is fixed")
    assert not (tmp_path / "out").exists()


def test_what_fails_in_a_frame_is_told_of_that_frame_and_the_others_go_on(
    stranger, tmp_path, capsys
):
    text = "Stage.decide = lambda self, p, frame: {'n': float(frame)}\n"
    text += "Stage.apply = lambda self, rgb, n, light: rgb if n['n'] != 1002 else rgb[0]\n"
    stranger("trade", text)
    ran = run(capsys, "run", asking(tmp_path), "--jobs", "1", "--quiet")
    assert ran.code == 1
    told = [line for line in ran.err.splitlines() if "1002" in line]
    assert "stage plain from trade 1.0: made float32 " in told[0]
    assert "in 'apply'; report it to its author" in told[0]
    results = sorted(path.name for path in (tmp_path / "out/quay").glob("*.exr"))
    assert results == ["quay.1001.exr", "quay.1003.exr"]


def test_what_fails_in_a_hand_over_is_told(stranger, tmp_path, capsys):
    stranger("trade", "Handover.prove = lambda self, path: 1 / 0")
    recipe = asking(tmp_path, stages="[{pull: {stops: -1}}]")
    assert run(capsys, "run", recipe, "--jobs", "1", "--quiet").code == 0
    ran = run(capsys, "handover", recipe, "--as", "plain", "-o", tmp_path / "given")
    assert ran.code == 2
    assert "handover plain from trade 1.0: failed with ZeroDivisionError" in ran.err
    assert not list((tmp_path / "given").glob("*"))


BROKEN = [
    ("import absent", "does not load: ModuleNotFoundError: No module named 'absent'"),
    ("Stage.apply = lambda self, rgb: rgb", "takes (rgb) in 'apply'"),
    ("Plain.api = 2", "is written for contract version 2; this gradeprep keeps version 1"),
]


@pytest.mark.parametrize(("text", "says"), BROKEN)
def test_a_broken_one_is_named_where_it_is_asked_for_and_nowhere_else(
    stranger, tmp_path, capsys, text, says
):
    stranger("trade", text)
    ran = run(capsys, "run", asking(tmp_path), "--jobs", "1")
    assert ran.code == 2
    (line,) = ran.err.splitlines()
    assert (
        "line 4: defaults.stages[0].plain: stage 'plain' from trade 1.0 (stranger_trade:Stage) "
        in line
    )
    assert says in line
    ran = run(capsys, "pull", tmp_path / "plate", tmp_path / "pulled", *ACESCG)
    assert (ran.code, ran.err) == (0, "")
    ran = run(capsys, "plugins", "--json")
    rows = {(one["kind"], one["name"]): one for one in json.loads(ran.out)["plugins"]}
    assert says in rows["stage", "plain"]["error"]
    assert rows["stage", "pull"]["error"] == ""


def test_two_of_one_name_are_both_named_and_neither_is_used(stranger, tmp_path, capsys):
    stranger("copycat")
    stranger("trade")
    ran = run(capsys, "run", asking(tmp_path), "--jobs", "1")
    assert ran.code == 2
    assert (
        "stage 'plain' is provided twice, by copycat 1.0 (stranger_copycat:Stage) and trade 1.0"
        in ran.err
    )
    assert run(capsys, "schema", "recipe").code == 0
    ran = run(capsys, "pull", tmp_path / "plate", tmp_path / "pulled", *ACESCG)
    assert (ran.code, ran.err) == (0, "")


def test_one_that_nobody_asks_for_is_not_even_imported(stranger, tmp_path, capsys):
    stranger("trade")
    plate = exr_plate(tmp_path / "plate")
    assert run(capsys, "pull", plate, tmp_path / "pulled", *ACESCG).code == 0
    assert "stranger_trade" not in sys.modules


def test_another_version_of_a_stage_makes_another_decision(stranger, tmp_path, capsys):
    stranger("trade")
    recipe = asking(tmp_path)

    def digest() -> str:
        told = json.loads(run(capsys, "plan", recipe, "--json").out)
        return told["shots"]["quay"]["document"]["digest"]

    first = digest()
    assert digest() == first
    info = tmp_path / "site" / "trade-1.0.dist-info"
    (info / "METADATA").write_text("Name: trade\nVersion: 2.0\n", encoding="utf-8")
    installed.cache_clear()
    assert digest() != first

"""What a frame has undergone belongs to that frame, and no source is ever lost to a restore."""

from __future__ import annotations

import json
import shutil
import unicodedata
from pathlib import Path

import pytest
from refusal import ACESCG, RECIPE, exr_plate, light, refused, write_recipe
from support import run, snapshot, write_exr

from gradeprep import sidecar
from gradeprep.plates import exr


@pytest.fixture
def mixed(tmp_path, capsys) -> Path:
    """A plate whose first frame was pulled before and whose second never was, pulled."""
    exr_plate(tmp_path / "hot", 2)
    mix = tmp_path / "mix"
    first = ("pull", tmp_path / "hot" / "quay.1001.exr", mix / "quay.1001.exr", *ACESCG)
    assert run(capsys, *first).code == 0
    (mix / "quay.1001.stops.json").unlink()
    shutil.copy(tmp_path / "hot" / "quay.1002.exr", mix)
    both = ("pull", mix / "quay.####.exr", tmp_path / "out", *ACESCG, "--allow-pulled")
    assert run(capsys, *both).code == 0
    return tmp_path / "out" / "quay.stops.json"


def test_an_audit_knows_what_each_frame_had_undergone(mixed, capsys):
    ran = run(capsys, "audit", mixed)
    assert (ran.code, ran.err) == (0, "")
    assert "2 of 2 frames" in ran.out


def test_each_frame_keeps_its_own_history(mixed):
    pulled, fresh = sidecar.load(mixed).frames
    assert (pulled.before, len(pulled.history)) == (-1.0, 1)
    assert (fresh.before, fresh.history) == (0.0, ())


def test_a_restored_frame_says_only_what_it_had_undergone(mixed, tmp_path, capsys):
    assert run(capsys, "restore", mixed, tmp_path / "back").code == 0
    for number, before in ((1001, -1.0), (1002, None)):
        restored = exr.inspect(tmp_path / "back" / f"quay.{number}.exr")
        source = exr.inspect(tmp_path / "mix" / f"quay.{number}.exr")
        assert restored.pulled == source.pulled == before
        assert restored.history == source.history


def test_a_restore_never_replaces_a_source_wherever_the_results_went(tmp_path, capsys):
    exr_plate(tmp_path / "src")
    lifted = ("pull", tmp_path / "src" / "quay.####.exr", tmp_path / "o", *ACESCG, "--lift", "1")
    assert run(capsys, *lifted).code == 0
    away = tmp_path / "far" / "away"
    away.mkdir(parents=True)
    (tmp_path / "o").rename(away / "o")
    restore = ("restore", away / "o" / "quay.stops.json", tmp_path / "src", "--overwrite")
    says = ("src/quay.1001.exr", "that the sidecar describes", "a source is never touched")
    refused(capsys, tmp_path, restore, *says, code=2)


def test_resume_notices_a_number_that_was_edited_in_the_sidecar(tmp_path, capsys):
    pull = ("pull", exr_plate(tmp_path / "hot"), tmp_path / "out", *ACESCG[:-1])
    assert run(capsys, *pull).code == 0
    path = tmp_path / "out" / "quay.stops.json"
    before = json.loads(path.read_text(encoding="utf-8"))
    edited = json.loads(path.read_text(encoding="utf-8"))
    edited["frames"][1]["stages"][0]["numbers"]["stops"] = -2.0
    path.write_text(json.dumps(edited), encoding="utf-8")
    ran = run(capsys, *pull, "--resume")
    assert ran.code == 0, ran
    assert "2 of them kept" in ran.out
    after = json.loads(path.read_text(encoding="utf-8"))
    assert after["frames"] == before["frames"]


@pytest.mark.parametrize(
    ("one", "other"),
    [("Quay", "quay"), (unicodedata.normalize("NFC", "ké"), unicodedata.normalize("NFD", "ké"))],
    ids=["case", "Unicode form"],
)
def test_names_that_many_disks_take_for_one_are_refused_in_the_plan(one, other, tmp_path, capsys):
    for folder in ("a", "b"):
        write_exr(tmp_path / folder / "x.1001.exr", light(seed=1))
    shots = (
        f'  {shot}: {{plate: "{shot}/x.####.exr", output: {{plate: "out/{name}.####.exr"}}}}'
        for shot, name in (("a", one), ("b", other))
    )
    head, _, _ = RECIPE.partition("shots:")
    recipe = write_recipe(tmp_path, f"{head}shots:\n" + "\n".join(shots) + "\n")
    says = ("shots a and b would both write this file", "more than case")
    before = snapshot(tmp_path)
    refused(capsys, tmp_path, ("run", recipe), *says, code=2)
    assert snapshot(tmp_path) == before

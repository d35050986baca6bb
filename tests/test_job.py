"""A whole run: what --resume keeps and redoes, what --overwrite risks, and equal bytes always."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest
from refusal import (
    ACESCCT,
    ACESCG,
    RECIPE,
    codes,
    dpx_plate,
    exr_plate,
    light,
    speaks_plainly,
    write_recipe,
)
from support import run, write_dpx, write_exr

from gradeprep import sidecar
from gradeprep.pipeline.audit import audit_frame
from gradeprep.plates import atomic
from gradeprep.runners import local


@pytest.fixture
def pulled(tmp_path, capsys):
    """A plate of three frames, pulled to out/; the command that did it."""
    arguments = ("pull", exr_plate(tmp_path / "hot"), tmp_path / "out", *ACESCG)
    assert run(capsys, *arguments).code == 0
    return arguments


def stamps(folder):
    """Inode and time of each result: a file that is written anew changes both."""
    return {
        path.name: (path.stat().st_ino, path.stat().st_mtime_ns)
        for path in folder.iterdir()
        if path.suffix in (".exr", ".dpx")
    }


def undated(folder):
    """Bytes of all files of a folder; sidecars without their dated block."""
    found = {path.name: path.read_bytes() for path in folder.iterdir()}
    for name in found:
        if name.endswith(sidecar.SUFFIX):
            told = json.loads(found[name])
            assert set(told.pop("dated")) == {"written"}
            found[name] = json.dumps(told).encode()
    return found


def redone(before, after):
    assert before.keys() == after.keys()
    return {name for name in before if before[name] != after[name]}


def audit(tmp_path, folder="out"):
    """Problems that the audit finds, by frame."""
    record = sidecar.load(tmp_path / folder / "quay.stops.json")
    verdicts = local.run(record, audit_frame, jobs=1)
    return {verdict.number: verdict.problems for verdict in verdicts if verdict.problems}


# --resume


def test_resume_keeps_what_is_right(pulled, tmp_path, capsys):
    before, told = stamps(tmp_path / "out"), undated(tmp_path / "out")
    ran = run(capsys, *pulled[:-1], "--resume")
    assert ran.code == 0
    assert "3 of them kept" in ran.out
    assert stamps(tmp_path / "out") == before
    assert undated(tmp_path / "out") == told


@pytest.mark.parametrize("fault", ["one byte", "a flipped bit", "missing", "no bytes"])
def test_resume_redoes_a_result_that_is_not_as_recorded(fault, pulled, tmp_path, capsys):
    bad = tmp_path / "out" / "quay.1002.exr"
    good = undated(tmp_path / "out")
    content = bytearray(bad.read_bytes())
    if fault == "missing":
        bad.rename(tmp_path / "away.exr")
    elif fault == "a flipped bit":
        content[-1] ^= 1
        bad.write_bytes(content)
    else:
        bad.write_bytes(content[: 1 if fault == "one byte" else 0])
    before = stamps(tmp_path / "out") | {"quay.1002.exr": None}
    assert run(capsys, *pulled, "--resume").code == 0
    assert redone(before, stamps(tmp_path / "out")) == {"quay.1002.exr"}
    assert undated(tmp_path / "out") == good


def test_resume_redoes_a_result_whose_source_changed(tmp_path, capsys):
    pull = ("pull", dpx_plate(tmp_path / "hot"), tmp_path / "out", *ACESCCT)
    assert run(capsys, *pull).code == 0
    write_dpx(tmp_path / "hot" / "quay.1003.dpx", codes(seed=99))  # of the same size
    before = stamps(tmp_path / "out")
    assert run(capsys, *pull, "--resume").code == 0
    assert redone(before, stamps(tmp_path / "out")) == {"quay.1003.dpx"}
    assert not audit(tmp_path)


@pytest.mark.parametrize(
    "change", [("--stops", "-2"), ("--space", "ACEScct"), ("--type", "float"), ("--lift", "1")]
)
def test_resume_redoes_all_when_the_decision_changed(change, pulled, tmp_path, capsys):
    before = stamps(tmp_path / "out")
    assert run(capsys, *pulled, *change, "--resume").code == 0
    assert redone(before, stamps(tmp_path / "out")) == set(before)
    assert not audit(tmp_path)


def test_resume_after_the_sidecar_is_lost_trusts_nothing(pulled, tmp_path, capsys):
    (tmp_path / "out" / "quay.stops.json").unlink()
    before = stamps(tmp_path / "out")
    assert run(capsys, *pulled, "--resume").code == 0
    assert redone(before, stamps(tmp_path / "out")) == set(before)


def test_resume_reads_the_journal_of_a_killed_run(pulled, tmp_path, capsys):
    out = tmp_path / "out"
    record = sidecar.load_filed(out / "quay.stops.json")
    entries = [
        json.dumps({"digest": record.digest, "frame": frame.model_dump(mode="json")})
        for frame in record.frames[:2]
    ]
    cut = entries[0][: len(entries[0]) // 2]  # the line that was being written
    stranger = json.dumps({"digest": "sha256:0", "frame": {}})
    journal = out / ".quay.stops.journal"
    journal.write_text("\n".join([stranger, "{}", "3", *entries, cut]), encoding="utf-8")
    (out / "quay.stops.json").unlink()
    before = stamps(out)
    assert run(capsys, *pulled, "--resume").code == 0
    assert redone(before, stamps(out)) == {"quay.1003.exr"}
    assert not journal.exists()
    assert not audit(tmp_path)


def test_resume_does_frames_that_were_not_asked_for_before(pulled, tmp_path, capsys):
    for number in (1004, 1005):
        write_exr(tmp_path / "hot" / f"quay.{number}.exr", light(seed=number))
    before = stamps(tmp_path / "out")
    assert run(capsys, *pulled, "--resume").code == 0
    after = stamps(tmp_path / "out")
    assert {name: after[name] for name in before} == before
    assert len(after) == 5


def test_parts_of_a_shot_run_apart_share_one_sidecar(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 4)
    assert run(capsys, "pull", hot, tmp_path / "whole", *ACESCG).code == 0
    for frames in ("1003-1004", "1001", "1002"):
        assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG, "--frames", frames).code == 0
    assert undated(tmp_path / "out") == undated(tmp_path / "whole")


# --overwrite


def test_overwrite_writes_all_anew(pulled, tmp_path, capsys):
    before, told = stamps(tmp_path / "out"), undated(tmp_path / "out")
    assert run(capsys, *pulled, "--overwrite").code == 0
    assert redone(before, stamps(tmp_path / "out")) == set(before)
    assert undated(tmp_path / "out") == told


@pytest.mark.parametrize("option", ["--overwrite", "--resume"])
def test_results_in_the_folder_one_stands_in_are_known_again(tmp_path, capsys, monkeypatch, option):
    """There, a path has no folder before its name."""
    exr_plate(tmp_path)
    monkeypatch.chdir(tmp_path)
    arguments = ("pull", "quay.####.exr", "normal.####.exr", *ACESCG)
    assert run(capsys, *arguments).code == 0
    before = stamps(tmp_path)
    assert run(capsys, *arguments, option).code == 0
    results = {name for name in before if name.startswith("normal.")}
    assert redone(before, stamps(tmp_path)) == (results if option == "--overwrite" else set())


def test_overwrite_replaces_a_link_and_never_follows_it(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    other = tmp_path / "other.exr"
    other.write_bytes(b"somebody's")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "quay.1001.exr").symlink_to(other)
    assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG, "--overwrite").code == 0
    assert other.read_bytes() == b"somebody's"
    assert not (tmp_path / "out" / "quay.1001.exr").is_symlink()


def test_frame_that_fails_leaves_the_older_result_standing(tmp_path, capsys):
    nan = light(seed=1)
    nan["R"][3, 4] = np.nan
    hot = exr_plate(tmp_path / "hot")
    arguments = ("pull", hot, tmp_path / "out", *ACESCG, "--nonfinite", "fail")
    assert run(capsys, *arguments).code == 0
    before = stamps(tmp_path / "out")
    write_exr(hot / "quay.1002.exr", nan)
    ran = run(capsys, *arguments, "--overwrite")
    assert ran.code == 1
    speaks_plainly(ran)
    assert "quay frame 1002" in ran.err
    assert "1 samples are NaN or infinite" in ran.err
    assert "nonfinite: keep" in ran.err
    assert redone(before, stamps(tmp_path / "out")) == {"quay.1001.exr", "quay.1003.exr"}
    record = sidecar.load(tmp_path / "out" / "quay.stops.json")
    assert [frame.number for frame in record.frames] == [1001, 1003]


# One shot's trouble is not another's.


def test_check_that_fails_stops_its_own_shot(tmp_path, capsys):
    nan = light()
    nan["G"][0, 0] = np.inf
    exr_plate(tmp_path / "a")
    write_exr(tmp_path / "b" / "quay.1001.exr", nan)
    text = RECIPE.replace("  space", "  checks: {pixels: {on: fail}}\n  space")
    shots = "  b: {plate: b}\n  a: {plate: a}\n"
    recipe = write_recipe(tmp_path, text.replace("  quay: {plate: plate}\n", shots))
    ran = run(capsys, "run", recipe, "--jobs", "1", "--quiet")
    assert ran.code == 1
    assert "b: 1 samples are NaN or infinite" in ran.err
    assert not (tmp_path / "out" / "b").exists()
    assert len(stamps(tmp_path / "out" / "a")) == 3


# What runs leave behind.


def temporary_name(final):
    """What a result is called while this process writes it."""
    seen = []

    def write(temp):
        temp.touch()
        seen.append(temp.name)

    atomic.publish(final, write, lambda temp: None)
    final.unlink()
    return seen[0]


def test_leftovers_of_dead_processes_are_swept(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    (tmp_path / "out").mkdir()
    name = temporary_name(tmp_path / "out" / "quay.1001.exr")
    dead = tmp_path / "out" / name.replace(f".{os.getpid()}.", ".999999999.")
    alive = tmp_path / "out" / name
    for path in (dead, alive):
        path.write_bytes(b"half")
    assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG).code == 0
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        *("quay.1001.exr", "quay.stops.json", alive.name)
    }


def test_journal_that_cannot_be_written_is_no_error(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot")
    (tmp_path / "out" / ".quay.stops.journal").mkdir(parents=True)
    assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG).code == 0
    assert not audit(tmp_path)


# Equal bytes.


@pytest.mark.parametrize("kind", ["exr", "dpx"])
def test_two_jobs_write_the_bytes_of_one(kind, tmp_path, capsys):
    make, options = {"exr": (exr_plate, ACESCG), "dpx": (dpx_plate, ACESCCT)}[kind]
    hot = make(tmp_path / "hot", 5)
    told = (*options, "--lift", "1", "--stops", "1001:-1,1005:-2.5")
    for jobs in ("1", "2"):
        assert run(capsys, "pull", hot, tmp_path / jobs, *told, "--jobs", jobs).code == 0
    assert undated(tmp_path / "1") == undated(tmp_path / "2")
    assert len(undated(tmp_path / "1")) == 6


def test_the_bytes_of_a_plate_do_not_depend_on_its_place(tmp_path, capsys):
    for place in ("here", "there"):
        write_dpx(tmp_path / place / "hot" / "quay.1001.dpx", codes())
        arguments = ("pull", tmp_path / place / "hot", tmp_path / place / "out", *ACESCCT)
        assert run(capsys, *arguments).code == 0
    assert undated(tmp_path / "here" / "out") == undated(tmp_path / "there" / "out")

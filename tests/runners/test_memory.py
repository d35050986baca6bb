"""Frames in flight bounded by memory."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import workers
from support import run, write_exr

from gradeprep import machine
from gradeprep.model.frame import Layout, PartLayout
from gradeprep.runners import local, memory, pool

MIB = 2**20


def layout(width: int, height: int, kinds: dict[str, str], format: str = "exr") -> Layout:
    window = (0, 0, width, height)
    return Layout(format, (PartLayout("", kinds, window, window),))


@pytest.mark.parametrize(
    ("format", "kinds", "written", "bytes_a_pixel"),
    [
        ("exr", dict.fromkeys("RGB", "half"), "source", 6),
        ("exr", dict.fromkeys("RGB", "half"), "float", 18),
        ("dpx", dict.fromkeys("RGB", "uint10"), "half", 6),
        ("exr", {**dict.fromkeys("RGB", "half"), "Z": "float"}, "source", 10),
        ("dpx", dict.fromkeys("RGB", "uint8"), "half", 9),
        ("tif", dict.fromkeys("RGB", "uint16"), "half", 12),
        ("tif", dict.fromkeys("RGB", "uint16"), "float", 18),
    ],
)
def test_a_worker_holds_what_it_reads_and_what_it_writes(format, kinds, written, bytes_a_pixel):
    small = memory.worker_bytes(layout(100, 50, kinds, format), written)
    large = memory.worker_bytes(layout(200, 50, kinds, format), written)
    assert large - small == memory._ROOM * bytes_a_pixel * 5000


@pytest.fixture
def shot(tmp_path):
    """Six frames of 64 x 64 half."""
    found = workers.document(tmp_path, 6)
    plate = tmp_path / "quay.exr"
    write_exr(plate, {c: np.zeros((64, 64), np.float16) for c in "RGB"})
    return found.only(
        tuple(order.model_copy(update={"source": str(plate)}) for order in found.frames)
    )


def test_as_many_workers_as_memory_holds(shot):
    one = memory.worker_bytes(layout(64, 64, dict.fromkeys("RGB", "half")), "source")
    found = [memory.fitting(shot, jobs=8, memory=limit) for limit in (one - 1, one, 3 * one, 2**40)]
    assert found == [1, 1, 3, 8]


def test_a_share_of_what_is_free_by_default(shot, monkeypatch):
    one = memory.worker_bytes(layout(64, 64, dict.fromkeys("RGB", "half")), "source")
    monkeypatch.setattr(machine, "free_memory", lambda: int(2 * one / memory.SHARE) + 8)
    assert memory.fitting(shot, jobs=8) == 2
    monkeypatch.setattr(machine, "free_memory", lambda: None)
    assert memory.fitting(shot, jobs=8) == 8


def test_a_frame_that_cannot_be_read_bounds_nothing(tmp_path):
    assert memory.fitting(workers.document(tmp_path, 6), jobs=4, memory=MIB) == 4


def test_the_pool_gets_no_more_workers_than_fit(shot, monkeypatch):
    asked = []
    monkeypatch.setattr(pool, "run", lambda shot, work, *, jobs, stop: asked.append(jobs) or ())
    list(local.run(shot, workers.facts, jobs=8, memory=250 * MIB))
    assert asked == [3]


def test_the_command_says_that_memory_holds_fewer(tmp_path, capsys):
    for number in range(1001, 1005):
        write_exr(tmp_path / f"quay.{number}.exr", {c: np.ones((8, 8), np.float16) for c in "RGB"})
    out = run(
        capsys, "pull", tmp_path / "quay.####.exr", tmp_path / "out", "--stops", "-1",
        "--space", "ACEScg", "--jobs", "2", "--memory", "90M",
    )  # fmt: skip
    assert out.code == 0
    assert "quay: 1 at a time, not 2: memory holds no more" in out.err


@pytest.mark.parametrize("size", ["many", "0G", "-1G", "12", "1e3M"])
def test_a_size_that_is_none(size, tmp_path, capsys):
    out = run(capsys, "pull", "a.exr", tmp_path, "--stops", "-1", "--memory", size)
    assert out.code == 2
    assert f"'{size}' is not a size; write for example 500M or 8G" in out.err


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is told by Linux")
def test_the_estimate_holds_for_a_real_frame(tmp_path):
    """The peak of a process that does two frames, against what was reserved for it."""
    rng = np.random.default_rng(1)
    for number in (1001, 1002):
        pixels = {c: rng.random((1080, 1920)).astype(np.float16) for c in "RGB"}
        write_exr(tmp_path / f"quay.{number}.exr", pixels)
    told = subprocess.run(
        [sys.executable, "-c", _PEAK, str(tmp_path)],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    peak = int(told.stdout) * 1024
    reserved = memory.worker_bytes(layout(1920, 1080, dict.fromkeys("RGB", "half")), "source")
    assert reserved / 2 < peak < reserved * 1.1


_PEAK = """
import sys
from gradeprep.cli import main
folder = sys.argv[1]
sys.argv = ["gradeprep", "pull", folder + "/quay.####.exr", folder + "/out", "--stops", "-2",
            "--lift", "1", "--space", "ACEScg", "--jobs", "1", "--quiet"]
try:
    main()
except SystemExit:
    pass
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""

"""Runs that are stopped, killed, or lose a worker: only whole frames stand there, and a resumed
run ends in the very bytes of an undisturbed one.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import clumsy
import pytest
from refusal import RECIPE, exr_plate, write_recipe

from gradeprep import sidecar
from gradeprep.plates import atomic, files

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")

FRAMES = 9
PATIENCE = 60.0
"""Seconds after which a machine is taken for hung, however slow it is."""


def recipe_in(folder: Path, stage: str) -> Path:
    folder.mkdir()
    exr_plate(folder / "plate", FRAMES)
    return write_recipe(folder, RECIPE.replace("[{pull", f"[{stage}, {{pull"))


def start(
    recipe: Path, *options: str, jobs: str = "2", pause: str = "0", background: bool = False
) -> subprocess.Popen[str]:
    """The program in a process, and a process group, of its own.

    Args:
        recipe: What it runs.
        options: More words of its command line.
        jobs: Frames at once.
        pause: Seconds that a frame takes longer.
        background: Start it with SIGINT ignored, as a shell starts a job in the background.
    """
    shell = ("sh", "-c", 'trap "" INT; exec "$@"', "sh") if background else ()
    return subprocess.Popen(
        (*shell, sys.executable, "-m", "gradeprep", "run", str(recipe), "--jobs", jobs, *options),
        env=clumsy.environment(recipe.parent / "plugins", CLUMSY_PAUSE=pause),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def results(folder: Path) -> dict[str, bytes]:
    """Everything in the results' folder, hidden files too; the sidecar without its date."""
    found = {path.name: path.read_bytes() for path in (folder / "out" / "quay").iterdir()}
    for name in found:
        if name.endswith(sidecar.SUFFIX):
            told = json.loads(found[name])
            told.pop("dated")
            found[name] = json.dumps(told).encode()
    return found


def until(true):
    """Wait for something to become true."""
    deadline = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.01)


def frames_there(folder: Path) -> list[Path]:
    return sorted((folder / "out" / "quay").glob("quay.[0-9]*.exr"))


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """What a run leaves that nobody disturbs."""
    folder = tmp_path_factory.mktemp("undisturbed") / "film"
    ran = start(recipe_in(folder, "{clumsy: {}}"), jobs="1")
    out, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 0, (out, err)
    found = results(folder)
    assert len(found) == FRAMES + 1
    return found


def resumed(recipe: Path) -> str:
    ran = start(recipe, "--resume", jobs="1")
    out, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 0, err
    return out


@pytest.mark.parametrize(
    ("number", "whom"),
    [(signal.SIGINT, "group"), (signal.SIGTERM, "group"), (signal.SIGTERM, "parent")],
    ids=["Ctrl-C", "group terminated", "parent terminated"],
)
def test_stopped_run_leaves_whole_frames_and_is_resumed(number, whom, undisturbed, tmp_path):
    """A terminal and some farms signal the whole group, others the parent alone."""
    folder = tmp_path / "film"
    recipe = recipe_in(folder, "{clumsy: {}}")
    ran = start(recipe, pause="0.2")
    until(lambda: len(frames_there(folder)) >= 2)
    (os.killpg if whom == "group" else os.kill)(ran.pid, number)
    out, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 130, (out, err)
    assert out == ""
    assert err.splitlines()[-1] == "gradeprep: interrupted; run again with --resume to go on"
    assert "Traceback" not in err
    left = results(folder)
    assert not any(atomic.is_temp(name) for name in left)
    whole = {name: content for name, content in left.items() if name.endswith(".exr")}
    assert 2 <= len(whole) < FRAMES
    assert whole == {name: undisturbed[name] for name in whole}
    kept = {path.name: path.stat().st_mtime_ns for path in frames_there(folder)[:1]}
    assert "of them kept" in resumed(recipe)
    assert results(folder) == undisturbed
    assert all((folder / "out" / "quay" / n).stat().st_mtime_ns == t for n, t in kept.items())


def test_a_job_in_the_background_does_not_hear_a_terminals_ctrl_c(undisturbed, tmp_path):
    """POSIX, Shell Command Language, 2.11: a background job has SIGINT ignored."""
    folder = tmp_path / "film"
    ran = start(recipe_in(folder, "{clumsy: {}}"), pause="0.1", background=True)
    until(lambda: len(frames_there(folder)) >= 2)
    os.killpg(ran.pid, signal.SIGINT)
    _, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 0, err
    assert results(folder) == undisturbed


def descendants(process: int) -> set[int]:
    """Processes that the given one started, and those that they started."""
    started: dict[int, set[int]] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:  # it ended meanwhile
            continue
        started.setdefault(int(fields[1]), set()).add(int(path.parent.name))
    found, waiting = set[int](), {process}
    while waiting:
        waiting = set().union(*(started.get(one, set()) for one in waiting))
        found |= waiting
    return found


def runs(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"  # ended, and nobody has asked for its exit code yet


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to look for workers in")
def test_killed_run_leaves_no_worker_behind_and_is_resumed(undisturbed, tmp_path):
    folder = tmp_path / "film"
    recipe = recipe_in(folder, "{clumsy: {}}")
    ran = start(recipe, pause="0.2")
    until(lambda: len(frames_there(folder)) >= 2)
    workers = descendants(ran.pid)
    assert len(workers) >= 3
    ran.kill()
    ran.communicate(timeout=PATIENCE)
    until(lambda: not any(map(runs, workers)))
    for path in frames_there(folder):
        assert files.read(path).parts
    assert "of them kept" in resumed(recipe)
    assert results(folder) == undisturbed


def test_frame_that_kills_its_worker_is_named_and_the_others_are_done(tmp_path):
    folder = tmp_path / "film"
    recipe = recipe_in(folder, "{clumsy: {crash_at: 1003}}")
    ran = start(recipe, "--quiet")
    out, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 1, (out, err)
    (line,) = err.splitlines()
    assert line.startswith("gradeprep: quay frame 1003: ")
    assert "quay.1003.exr: the worker died twice over it" in line
    assert "look at the file" in line
    assert set(results(folder)) == {
        "quay.stops.json",
        *(f"quay.{1001 + index}.exr" for index in range(FRAMES) if index != 2),
    }
    record = sidecar.load(folder / "out" / "quay" / "quay.stops.json")
    assert len(record.frames) == FRAMES - 1
    assert [finding.frame for finding in record.findings if finding.severity == "fail"] == [1003]

"""A library that crashes or never ends takes a frame with it and nothing else: real segfaults."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import crashing
import pytest
from refusal import RECIPE, exr_plate, light, write_recipe
from support import snapshot, write_exr

from gradeprep import sidecar
from gradeprep.entry import AGAIN, guarded

if sys.platform == "win32":
    pytest.skip("there is no fork there", allow_module_level=True)

PATIENCE = 60.0


def start(env, *words, **more):
    """The program in a process, and a process group, of its own."""
    return subprocess.Popen(
        (sys.executable, "-m", "gradeprep", *map(str, words)),
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        **more,
    )


def ran(env, *words):
    program = start(env, *words)
    out, err = program.communicate(timeout=PATIENCE)
    assert "Traceback" not in err
    return program.returncode, out, err.splitlines()


def film(folder, frames=3, **changes):
    exr_plate(folder / "plate", frames)
    text = RECIPE
    for before, after in changes.values():
        text = text.replace(before, after)
    return write_recipe(folder, text)


CRASHING_STAGE = ("[{pull", "[{crashing: {}}, {pull")


@pytest.mark.parametrize("frames", [1, 3])
def test_a_stage_that_crashes_costs_its_frame_alone(frames, tmp_path):
    recipe = film(tmp_path, frames, stages=CRASHING_STAGE)
    env = crashing.environment(tmp_path / "plugins", "stage", 1000 + frames)
    before = snapshot(tmp_path / "plate")
    code, _, err = ran(env, "run", recipe, "--jobs", 1, "--quiet")
    file = tmp_path / "plate" / f"quay.{1000 + frames}.exr"
    assert (code, err) == (
        1,
        [
            f"gradeprep: quay frame {1000 + frames}: {file}: working on it crashed the program "
            "(SIGSEGV); look at the file"
        ],
    )
    out = tmp_path / "out" / "quay"
    done = [1001 + index for index in range(frames - 1)]
    told = {"quay.stops.json"} if done else set()
    assert {path.name for path in out.glob("*")} == told | {f"quay.{n}.exr" for n in done}
    assert list(out.glob(".*")) == []
    if done:
        record = sidecar.load(out / "quay.stops.json")
        assert [frame.number for frame in record.frames] == done
        assert [found.frame for found in record.findings] == [1000 + frames]
    assert snapshot(tmp_path / "plate") == before


TWO_SHOTS = (
    "shots:",
    """shots:
  loft:
    plate: plate
    frames: 1001
    stages: [{pull: {stops: {meter: crashing}}}]""",
)


def crashed(what, *, doing="reading it", how="crashed the program (SIGSEGV)"):
    told = "look at the file" if "exr" in str(what) else "leave it out"
    return f"{what}: {doing} {how}; {told}"


def test_a_reader_that_crashes_is_told_by_a_pull_of_one_frame(tmp_path):
    plate = write_exr(tmp_path / "quay.1001.exr", light())
    env = crashing.environment(tmp_path / "plugins", "library", "quay.1001.exr")
    words = ("pull", plate, tmp_path / "out", "--stops", -1, "--space", "ACEScg", "--quiet")
    code, out, err = ran(env, *words)
    assert (code, out) == (1, "")
    assert err == [f"gradeprep: quay.1001 frame 1001: {crashed(plate)}"]
    assert [path for path in (tmp_path / "out").rglob("*") if path.is_file()] == []


def test_a_meter_that_crashes_costs_its_shot_alone(tmp_path):
    """And where results stand already, a crash while planning is no leave to write over them."""
    recipe = film(tmp_path, 1, shots=TWO_SHOTS)
    env = crashing.environment(tmp_path / "plugins", "meter", "loft")
    code, _, err = ran(env, "run", recipe, "--quiet")
    assert (code, err) == (1, [f"gradeprep: {crashed('loft', doing='meter crashing')}"])
    assert (tmp_path / "out" / "quay" / "quay.1001.exr").exists()
    before = snapshot(tmp_path / "out")
    code, _, err = ran(env, "run", recipe, "--quiet")
    assert code in (1, 2)
    assert any("exist" in line for line in err), err
    assert snapshot(tmp_path / "out") == before


def test_of_frames_read_at_once_the_one_that_crashes_is_found(tmp_path):
    exr_plate(tmp_path / "plate", 3)
    env = crashing.environment(tmp_path / "plugins", "library", "quay.1002.exr")
    code, out, err = ran(env, "check", tmp_path / "plate", "--space", "ACEScg")
    assert (code, out) == (1, "")
    assert err[-1].endswith(crashed(tmp_path / "plate" / "quay.1002.exr")), err


@pytest.mark.parametrize(("jobs", "frames"), [(1, 1), (2, 3)], ids=["here", "worker"])
def test_a_reader_that_never_ends_is_ended(jobs, frames, tmp_path):
    recipe = film(tmp_path, frames)
    hang = {"CRASH_HOW": "hang", "GRADEPREP_MAX_SECONDS": "1"}
    env = crashing.environment(tmp_path / "plugins", "library", "quay.1001.exr", **hang)
    code, _, err = ran(env, "run", recipe, "--jobs", jobs, "--quiet")
    assert code == 1
    (line,) = err
    assert line.startswith(f"gradeprep: quay frame 1001: {tmp_path}/plate/quay.1001.exr: ")
    assert ("(SIGALRM)" if jobs == 1 else "the worker died twice over it") in line
    assert len(list((tmp_path / "out").rglob("quay.[0-9]*.exr"))) == frames - 1


def test_what_crashes_without_a_word_is_told_once(tmp_path):
    env = crashing.environment(tmp_path / "plugins", "import", "")
    code, out, err = ran(env, "plugins")
    assert (code, out) == (1, "")
    assert err == [
        "gradeprep: a library crashed the program (SIGSEGV); "
        "run again with --traceback to see where"
    ]


def test_a_child_that_somebody_kills_is_told(tmp_path):
    """By the system where memory ran out, for instance; nothing begins anew then."""
    recipe = film(tmp_path, 1)
    hang = {"CRASH_HOW": "hang"}
    env = crashing.environment(tmp_path / "plugins", "library", "quay.1001.exr", **hang)
    program = start(env, "run", recipe, "--quiet")
    children = Path(f"/proc/{program.pid}/task/{program.pid}/children")
    if not children.exists():
        program.kill()
        pytest.skip("no /proc to look for the child in")
    lock = tmp_path / "out" / "quay" / ".quay.stops.lock"
    deadline = time.monotonic() + PATIENCE
    while not lock.exists():
        assert time.monotonic() < deadline
        time.sleep(0.01)
    (child,) = map(int, children.read_text().split())
    os.kill(child, signal.SIGKILL)
    _, err = program.communicate(timeout=PATIENCE)
    assert program.returncode == 1
    assert err.startswith("gradeprep: was killed (SIGKILL); ")


def test_only_commands_that_may_begin_anew_do():
    from gradeprep.cli import COMMANDS

    assert AGAIN.keys() <= COMMANDS.keys()
    assert not AGAIN.keys() & {"demo", "compensate", "handover"}


@pytest.mark.parametrize(("way", "code"), [("", 0), ("3", 3), ("None", 0), ("'why'", 1)])
def test_what_was_to_be_done_at_exit_is_done(way, code):
    told = (
        "import atexit, sys; from gradeprep.entry import leave; "
        "atexit.register(print, 'at exit'); sys.stdout.write('said, '); "
        f"leave(lambda: {f'sys.exit({way})' if way else 'None'})"
    )
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (code, "said, at exit\n", "")


def test_a_reader_that_has_gone_is_told_by_the_code_alone():
    told = "from gradeprep.entry import leave; leave(lambda: print('said'))"
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as gone:
        done = subprocess.run(
            [sys.executable, "-c", told],
            env={**os.environ, "PYTHONUNBUFFERED": ""},  # it is heard of at the very end only
            stdout=gone,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert (done.returncode, done.stderr) == (1, b"")


@pytest.mark.parametrize("closed", [(0,), (1,), (2,), (0, 1, 2)], ids=str)
def test_closed_streams_change_nothing_and_no_file_takes_their_place(closed, tmp_path):
    """A daemon may have none of the three: a library's words must not end up in a plate."""
    recipe = film(tmp_path, frames=2)

    def close():
        for number in closed:
            os.close(number)

    words = (sys.executable, "-m", "gradeprep", "run", str(recipe), "--jobs", "1")
    program = subprocess.run(
        words, check=False, preexec_fn=close, capture_output=True, text=True, timeout=PATIENCE
    )
    assert program.returncode == 0
    assert len(list((tmp_path / "out" / "quay").glob("*.exr"))) == 2
    said = program.stdout if 2 in closed else program.stderr
    assert ("quay: 2/2 frames" in said) is (2 not in closed)


def test_closed_streams_are_held(tmp_path):
    text = (
        "import os, sys; from gradeprep.entry import _hold_streams; _hold_streams(); "
        "print('to stderr', file=sys.stderr); os._exit(os.open(os.devnull, os.O_RDONLY))"
    )
    words = (sys.executable, "-c", text)
    close = subprocess.run(
        words, check=False, preexec_fn=lambda: os.closerange(0, 3), timeout=PATIENCE
    )
    assert close.returncode >= 3
    loud = subprocess.run(
        words,
        check=False,
        preexec_fn=lambda: os.close(2),
        capture_output=True,
        text=True,
        timeout=PATIENCE,
    )
    assert (loud.stdout, loud.returncode >= 3) == ("", True)


def test_no_process_to_be_had_is_told(monkeypatch, capfd):
    def full():
        raise BlockingIOError(11, "Resource temporarily unavailable")

    heard = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    monkeypatch.setattr(os, "fork", full)
    with pytest.raises(SystemExit) as caught:
        guarded(lambda: None, ["gradeprep", "check"])
    assert caught.value.code == 1
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == heard
    assert capfd.readouterr().err == (
        "gradeprep: no process can be started (Resource temporarily unavailable); end others, "
        "or raise ulimit -u\n"
    )

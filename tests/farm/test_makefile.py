"""The Makefile, run by make: killed on the way, gone on with, equal to one run at the end."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time

import clumsy
import pytest
from farmed import HOSTILE, made, results, scene
from refusal import RECIPE

pytestmark = pytest.mark.skipif(
    shutil.which("make") is None or sys.platform == "win32", reason="there is no make"
)

PATIENCE = 60.0
SLOW = RECIPE.replace("[{pull", "[{clumsy: {}}, {pull")


def process(environment, *arguments):
    command = (sys.executable, "-m", "gradeprep", *map(str, arguments))
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done
    return done


def make(environment, bundle, *options):
    program = f"GRADEPREP={shlex.quote(sys.executable)} -m gradeprep"
    return subprocess.Popen(
        ("make", "-C", str(bundle), "-j2", "-k", program, *options),
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def a_chunk_at_work(folder):
    """Process of a chunk that runs, as its sign beside the plates tells it."""
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        for path in folder.glob(".*.share"):
            try:
                return int(json.loads(path.read_text(encoding="utf-8"))["pid"])
            except (OSError, ValueError):
                continue
        time.sleep(0.01)
    raise AssertionError("no chunk was begun")


def test_a_chunk_is_killed_and_the_next_make_goes_on(tmp_path):
    show = tmp_path / HOSTILE
    recipe = scene(show, 6, SLOW)
    plugins = {"CLUMSY_PAUSE": "0.3"}
    environment = clumsy.environment(tmp_path / "plugins", **plugins)
    process(environment, "run", recipe, "--jobs", "2", "--quiet")
    alone = results(show / "out")
    shutil.rmtree(show / "out")
    bundle = tmp_path / f"b {HOSTILE}"
    process(environment, "farm", recipe, "-o", bundle, "--as", "make", "--chunk", 2)
    first = make(environment, bundle)
    os.kill(a_chunk_at_work(show / "out" / "quay"), signal.SIGKILL)
    told, _ = first.communicate(timeout=PATIENCE)
    assert first.returncode == 2, told
    stamps = {path.name for path in (bundle / "done").iterdir()}
    assert len(stamps) == 2
    assert stamps < {"1", "2", "3"}
    assert not (show / "out" / "quay" / "quay.stops.json").exists()
    second = make(environment, bundle)
    told, _ = second.communicate(timeout=PATIENCE)
    assert second.returncode == 0, told
    assert told.count(" chunk . --number ") == 1
    assert {path.name for path in (bundle / "done").iterdir()} == {"1", "2", "3", "collect"}
    assert results(show / "out") == alone


def test_places_go_through(tmp_path, capsys):
    recipe = scene(tmp_path / "show", 2)
    bundle = made(capsys, recipe, tmp_path / "bundle", "--as", "make")
    (tmp_path / "show").rename(tmp_path / "else where")
    place = f"PLACE=--map {shlex.quote(f'{tmp_path}/show={tmp_path}/else where')}"
    ran = make(dict(os.environ), bundle, place)
    told, _ = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 0, told
    assert (tmp_path / "else where" / "out" / "quay" / "quay.stops.json").exists()

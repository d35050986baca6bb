"""Two runs at once, and what others do between a plan and its run."""

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
from refusal import ACESCG, RECIPE, exr_plate, refused, speaks_plainly, write_recipe
from support import run, snapshot

from gradeprep.cli import jobs, restore
from gradeprep.runners import lock, share

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks as POSIX has them")

PATIENCE = 60.0


def start(recipe: Path, *options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        (sys.executable, "-m", "gradeprep", "run", str(recipe), "--jobs", "1", *options),
        env=clumsy.environment(recipe.parent / "plugins", CLUMSY_PAUSE="0.1"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def slow_recipe(folder: Path) -> Path:
    exr_plate(folder / "plate", 8)
    return write_recipe(folder, RECIPE.replace("[{pull", "[{clumsy: {}}, {pull"))


def test_second_run_is_refused_and_the_first_ends_right(tmp_path):
    first = start(slow_recipe(tmp_path))
    held = lock.path_for(tmp_path / "out" / "quay", "quay")
    deadline = time.monotonic() + PATIENCE
    while not (held.exists() and held.stat().st_size):
        assert time.monotonic() < deadline
        assert first.poll() is None, first.communicate()
        time.sleep(0.01)
    holder = json.loads(held.read_text(encoding="utf-8"))["pid"]
    os.killpg(first.pid, signal.SIGSTOP)  # it stays where it is, however slow the machine is
    second = start(tmp_path / "recipe.yaml", "--resume")
    out, err = second.communicate(timeout=PATIENCE)
    os.killpg(first.pid, signal.SIGCONT)
    assert (second.returncode, out) == (2, ""), err
    (line,) = err.splitlines()
    assert f"held by process {holder} on " in line
    told = first.communicate(timeout=PATIENCE)
    assert first.returncode == 0, told
    side = tmp_path / "out" / "quay" / "quay.stops.json"
    assert len(json.loads(side.read_text(encoding="utf-8"))["frames"]) == 8
    assert {path.name for path in side.parent.iterdir()} == {
        *(f"quay.{1001 + index}.exr" for index in range(8)),
        side.name,
    }


def test_two_runs_begun_in_one_moment(tmp_path, capsys):
    """Whoever comes second is refused, finds the results there, or does nothing anew."""
    recipe = slow_recipe(tmp_path)
    runs = [start(recipe), start(recipe)]
    ends = [one.communicate(timeout=PATIENCE) for one in runs]
    codes = sorted(one.returncode for one in runs)
    assert codes == [0, 2], ends
    side = tmp_path / "out" / "quay" / "quay.stops.json"
    assert not list(side.parent.glob(".*"))
    pulled = ("pull", tmp_path / "plate", tmp_path / "alone", *ACESCG)
    assert run(capsys, *pulled).code == 0
    for path in (tmp_path / "out" / "quay").glob("*.exr"):
        assert pixels(path) == pixels(tmp_path / "alone" / path.name)
    assert len(json.loads(side.read_text(encoding="utf-8"))["frames"]) == 8


def pixels(path: Path) -> list[bytes]:
    from gradeprep.plates import files

    return [plane.tobytes() for plane in files.read(path).parts[0].channels.values()]


def test_stale_lock_is_recovered(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    told = {"host": lock.platform.node(), "pid": 999_999_999, "since": "2020-01-02T03:04:05+00:00"}
    lock.path_for(out, "quay").write_text(json.dumps(told), encoding="utf-8")
    assert run(capsys, "pull", exr_plate(tmp_path / "hot", 2), out, *ACESCG).code == 0
    assert not list(out.glob(".*"))


def test_lock_of_one_shot_refuses_all_before_anything_is_touched(tmp_path, capsys):
    for name in ("a", "b"):
        exr_plate(tmp_path / name, 2)
    text = RECIPE.replace("  quay: {plate: plate}\n", "  a: {plate: a}\n  b: {plate: b}\n")
    recipe = write_recipe(tmp_path, text)
    (tmp_path / "out" / "b").mkdir(parents=True)
    with lock.held(tmp_path / "out" / "b", "b"):
        arguments = ("run", recipe, "--jobs", "1")
        refused(capsys, tmp_path, arguments, "b: ", "held by process", "wait until", code=2)
    assert run(capsys, *arguments).code == 0


def test_a_restore_and_whoever_else_writes_there_refuse_each_other(tmp_path, capsys):
    pulled = ("pull", exr_plate(tmp_path / "hot", 2), tmp_path / "out", *ACESCG)
    assert run(capsys, *pulled).code == 0
    side, back = tmp_path / "out" / "quay.stops.json", tmp_path / "back"
    back.mkdir()
    with lock.held(back, "quay"):
        arguments = ("restore", side, back, "--jobs", "1")
        refused(capsys, tmp_path, arguments, "quay: ", "held by process", "wait until", code=2)
    with share.joined(back, "quay", order="sha256:0", frames="1001"):
        refused(capsys, tmp_path, arguments, "quay: ", "frames 1001 are being made", code=2)
    held = []
    with pytest.MonkeyPatch.context() as patch:
        work = restore.run_frame

        def look(task, order):
            held.extend(back.glob(".*.lock"))
            return work(task, order)

        patch.setattr(restore, "run_frame", look)
        assert run(capsys, *arguments).code == 0
    assert held == [lock.path_for(back, "quay")] * 2
    assert not list(back.glob(".*"))


# Between the plan and the run


@pytest.fixture
def meanwhile(monkeypatch):
    """Lets something happen after the plan is made and before it is run."""

    def happens(what):
        plan = jobs.make_plan

        def then(*arguments):
            made = plan(*arguments)
            what()
            return made

        monkeypatch.setattr(jobs, "make_plan", then)

    return happens


@pytest.mark.parametrize("swapped", ["out", "out/deep"])
def test_folder_swapped_for_a_link_is_not_followed(swapped, meanwhile, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    elsewhere = tmp_path / "elsewhere"
    (elsewhere / "deep").mkdir(parents=True)
    (tmp_path / "out" / "deep").mkdir(parents=True)

    def swap():
        (tmp_path / swapped).rename(tmp_path / "moved")
        (tmp_path / swapped).symlink_to(elsewhere)

    meanwhile(swap)
    before = snapshot(elsewhere)
    ran = run(capsys, "pull", hot, tmp_path / "out" / "deep", *ACESCG)
    assert ran.code == 2, ran
    speaks_plainly(ran)
    assert f"leads to {elsewhere}" in ran.err
    assert snapshot(elsewhere) == before


def test_result_that_somebody_else_wrote_is_not_written_over(meanwhile, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 3)
    (tmp_path / "out").mkdir()
    theirs = tmp_path / "out" / "quay.1002.exr"
    meanwhile(lambda: theirs.write_bytes(b"somebody's"))
    ran = run(capsys, "pull", hot, tmp_path / "out", *ACESCG, "--overwrite")
    assert ran.code == 2, ran
    speaks_plainly(ran)
    assert f"{theirs}: has been written by another program since" in ran.err
    assert theirs.read_bytes() == b"somebody's"
    assert [path.name for path in theirs.parent.iterdir()] == [theirs.name]


# Where results may lead


@pytest.mark.parametrize(
    ("plate", "says"),
    [
        ("out/{shot}/../../../elsewhere/x.####.exr", "'..' behind a placeholder"),
        ("out/{shot}/x.####.exr", "leads out of"),
        ("out/{shot}/deep/x.####.exr", "leads out of"),
    ],
    ids=["dots", "link", "below a link"],
)
def test_results_stay_below_the_folder_that_was_named(plate, says, tmp_path, capsys):
    exr_plate(tmp_path / "plate", 2)
    (tmp_path / "elsewhere" / "deep").mkdir(parents=True)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "quay").symlink_to(tmp_path / "elsewhere")
    recipe = write_recipe(tmp_path, output=f'  output: {{plate: "{plate}"}}')
    refused(capsys, tmp_path, ("run", recipe, "--jobs", "1"), "quay: ", says, code=2)


def test_what_the_user_names_may_be_anywhere(tmp_path, capsys):
    """Dots and links before the first placeholder are the user's own words."""
    exr_plate(tmp_path / "film" / "plate", 2)
    (tmp_path / "disk").mkdir()
    (tmp_path / "link").symlink_to("disk")
    output = '  output: {plate: "../link/{shot}/x.####.exr"}'
    recipe = write_recipe(tmp_path / "film", output=output)
    ran = run(capsys, "run", recipe, "--jobs", "1")
    assert ran.code == 0, ran
    assert (tmp_path / "disk" / "quay" / "x.1002.exr").exists()


@pytest.mark.parametrize("text", [r"out/\0/x.####.exr", r"out/x\0.####.exr"])
def test_zero_byte_in_a_name(text, tmp_path, capsys):
    exr_plate(tmp_path / "plate", 2)
    recipe = write_recipe(tmp_path, output=f'  output: {{plate: "{text}"}}')
    refused(capsys, tmp_path, ("run", recipe, "--jobs", "1"), "not the name of a file", code=2)


def test_pipe_where_a_result_should_be(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    (tmp_path / "out").mkdir()
    os.mkfifo(tmp_path / "out" / "quay.1001.exr")
    arguments = ("pull", hot, tmp_path / "out", *ACESCG, "--overwrite")
    says = ("quay.1001.exr", "is a device, a pipe or a socket", "somewhere else")
    refused(capsys, tmp_path, arguments, *says, code=2)


@pytest.mark.parametrize("kind", ["link", "pipe"])
def test_journal_is_never_followed_to_a_plate(kind, tmp_path, capsys):
    """A link under the journal's hidden name could lead to a source, which is never written to."""
    hot = exr_plate(tmp_path / "hot", 3)
    (tmp_path / "out").mkdir()
    journal = tmp_path / "out" / ".quay.stops.journal"
    if kind == "link":
        journal.symlink_to(hot / "quay.1001.exr")
    else:
        os.mkfifo(journal)
    before = snapshot(hot)
    assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG, "--resume").code == 0
    assert snapshot(hot) == before


@pytest.mark.parametrize("command", ["audit", "restore", "run"])
@pytest.mark.parametrize("kind", ["pipe", "device"])
def test_documents_that_never_end(kind, command, tmp_path, capsys):
    path = tmp_path / ("quay.stops.json" if command != "run" else "recipe.yaml")
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero")
    more = (tmp_path / "back",) if command == "restore" else ()
    ran = run(capsys, command, path, *more)
    assert ran.code == 2, ran
    speaks_plainly(ran)
    assert "it is not a regular file" in ran.err

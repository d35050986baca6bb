"""The lock of a shot: held by one run, named, dropped with its process, never stolen."""

from __future__ import annotations

import json
import os
import platform
import signal
import subprocess
import sys
import threading

import pytest

from gradeprep.errors import OutputRefusedError, WriteError
from gradeprep.runners import lock

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks as POSIX has them")

HERE = platform.node()
DEAD = 999_999_999  # no system numbers processes so high


@pytest.fixture
def path(tmp_path):
    return lock.path_for(tmp_path, "quay")


def leave(path, host=HERE, pid=DEAD):
    """What a run that was killed leaves."""
    path.write_text(json.dumps({"host": host, "pid": pid, "since": "2020-01-02T03:04:05+00:00"}))


def test_it_says_who_holds_it_and_goes_with_its_holder(path):
    with lock.held(path.parent, "quay"):
        told = json.loads(path.read_text(encoding="utf-8"))
        assert told.pop("since").endswith("+00:00")
        assert told == {"host": HERE, "pid": os.getpid()}
    assert not path.exists()


def test_it_goes_when_the_work_fails(path):
    with pytest.raises(KeyboardInterrupt), lock.held(path.parent, "quay"):
        raise KeyboardInterrupt
    assert not path.exists()


def test_the_second_is_refused_by_name_and_leaves_the_first_alone(path):
    with lock.held(path.parent, "quay"):
        before = path.read_bytes()
        with pytest.raises(OutputRefusedError) as caught:
            lock.held(path.parent, "quay").__enter__()
        assert str(caught.value).startswith(
            f"quay: {path}: held by process {os.getpid()} on {HERE} since 20"
        )
        assert str(caught.value).endswith("; wait until it ends, or write to another folder")
        assert path.read_bytes() == before
    with lock.held(path.parent, "quay"):
        pass


def test_another_shot_of_the_folder_is_free(path):
    with lock.held(path.parent, "quay"), lock.held(path.parent, "loft"):
        pass


@pytest.mark.parametrize("pid", [DEAD, os.getppid()], ids=["dead", "number in use again"])
def test_what_a_dead_run_of_this_machine_left_is_taken_over(pid, path):
    """The kernel knows that nobody holds it, whoever has the number now."""
    leave(path, pid=pid)
    with lock.held(path.parent, "quay"):
        assert json.loads(path.read_text(encoding="utf-8"))["pid"] == os.getpid()
    assert not path.exists()


def test_what_another_machine_left_is_not(path):
    leave(path, host="elsewhere", pid=12)
    before = path.read_bytes()
    with pytest.raises(OutputRefusedError, match=r"process 12 on elsewhere .* if it died, remove"):
        lock.held(path.parent, "quay").__enter__()
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"\xff", b"{}", b"[1]", b'{"host": 1, "pid": "x"}'])
def test_a_lock_that_nobody_signed_is_waited_for_and_taken(content, path, monkeypatch):
    monkeypatch.setattr(lock, "PATIENCE", 0.1)
    path.write_bytes(content)
    with lock.held(path.parent, "quay"):
        assert json.loads(path.read_text(encoding="utf-8"))["pid"] == os.getpid()


def test_a_lock_that_is_signed_late_is_somebodys(path):
    """Another machine has just made it, and signs it while we look."""
    path.write_bytes(b"")
    late = threading.Timer(0.2, leave, (path, "elsewhere", 12))
    late.start()
    with pytest.raises(OutputRefusedError, match="held by process 12 on elsewhere"):
        lock.held(path.parent, "quay").__enter__()
    late.join()


@pytest.fixture
def no_kernel(monkeypatch):
    """A disk whose kernel knows no locks, as some network folders are."""

    def refuse(handle, operation):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(lock.fcntl, "flock", refuse)


@pytest.mark.usefixtures("no_kernel")
def test_without_the_kernel_the_file_is_the_lock(path):
    with (
        lock.held(path.parent, "quay"),
        pytest.raises(OutputRefusedError, match=f"held by process {os.getpid()} on"),
    ):
        lock.held(path.parent, "quay").__enter__()
    leave(path, pid=os.getppid())
    with pytest.raises(OutputRefusedError, match=f"held by process {os.getppid()} on"):
        lock.held(path.parent, "quay").__enter__()
    leave(path, pid=DEAD)
    with lock.held(path.parent, "quay"):
        pass


@pytest.mark.parametrize("then", ["gone", "taken by another"])
def test_a_lock_that_goes_while_it_is_taken(then, path, monkeypatch):
    """Between opening and locking, its holder may remove it and somebody else may make a new one:
    what we have locked then is a file without a name, which keeps nobody out.
    """
    leave(path)
    real, others = lock._opened, []

    def opened(path):
        found = real(path)
        if not others:
            others.append(True)
            path.unlink()
            if then != "gone":
                leave(path, "elsewhere", 12)
        return found

    monkeypatch.setattr(lock, "_opened", opened)
    if then == "gone":
        with lock.held(path.parent, "quay"):
            assert json.loads(path.read_text(encoding="utf-8"))["pid"] == os.getpid()
    else:
        with pytest.raises(OutputRefusedError, match="held by process 12 on elsewhere"):
            lock.held(path.parent, "quay").__enter__()


def test_no_room_for_the_name_is_no_failure(path, monkeypatch):
    def full(handle, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    monkeypatch.setattr(lock, "PATIENCE", 0.1)
    with (
        lock.held(path.parent, "quay"),
        pytest.raises(OutputRefusedError, match="held by another run"),
    ):
        lock.held(path.parent, "quay").__enter__()


@pytest.mark.parametrize("kind", ["link", "link to nothing", "folder", "pipe"])
def test_what_has_its_name_and_is_no_lock(kind, path, tmp_path):
    source = tmp_path / "source.exr"
    source.write_bytes(b"a plate")
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(source if kind == "link" else "gone")
    with pytest.raises(WriteError, match=r"quay: .*\.quay\.stops\.lock: the lock cannot be made: "):
        lock.held(tmp_path, "quay").__enter__()
    assert source.read_bytes() == b"a plate"
    assert os.path.lexists(path)


def test_no_folder(tmp_path):
    with pytest.raises(WriteError, match="the lock cannot be made: No such file or directory"):
        lock.held(tmp_path / "gone", "quay").__enter__()


HOLD = """
import sys, time
from pathlib import Path
from gradeprep.runners import lock
with lock.held(Path(sys.argv[1]), "quay"):
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_killed_process_drops_it(path):
    command = (sys.executable, "-c", HOLD, str(path.parent))
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(OutputRefusedError, match=f"held by process {other.pid} on {HERE}"):
            lock.held(path.parent, "quay").__enter__()
        other.send_signal(signal.SIGKILL)
    assert path.exists()
    with lock.held(path.parent, "quay"):
        pass
    assert not path.exists()


def test_many_at_once_and_never_two(path):
    """Each taker looks for company while it holds the lock; some must get it."""
    inside, crowded, held = [], [], []

    def work():
        for _ in range(40):
            try:
                with lock.held(path.parent, "quay"):
                    inside.append(1)
                    crowded.append(len(inside) > 1)
                    inside.pop()
                    held.append(1)
            except OutputRefusedError:
                continue

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert held
    assert not any(crowded)
    assert not path.exists()

"""Results appear whole or not at all, whatever fails and whenever the process dies."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import xxhash

from gradeprep.errors import TornFrameError, WriteError
from gradeprep.plates import atomic

GOOD = b"the frame"
BEFORE = b"what stood there before"


def write(temp: Path) -> None:
    temp.write_bytes(GOOD)


def no_check(temp: Path) -> None:
    return None


@pytest.fixture
def final(tmp_path):
    path = tmp_path / "quay.1001.exr"
    path.write_bytes(BEFORE)
    return path


def stands(final: Path) -> bool:
    """What was there before is there still, and nothing else is."""
    return final.read_bytes() == BEFORE and list(final.parent.iterdir()) == [final]


# ---- publish


def test_publishes_and_returns_what_verify_found(final):
    assert atomic.publish(final, write, atomic.digest) == (
        f"xxh128:{xxhash.xxh3_128(GOOD).hexdigest()}"
    )
    assert final.read_bytes() == GOOD
    assert list(final.parent.iterdir()) == [final]


@pytest.mark.parametrize("name", ["new.1001.exr", "no_extension", ".hidden.exr", "x.tar.gz"])
def test_the_temporary_file_is_hidden_beside_the_final_one(tmp_path, name):
    seen = []

    def look(temp):
        seen.append(temp)
        write(temp)

    def check(temp):
        assert seen == [temp]
        assert not (tmp_path / name).exists()

    atomic.publish(tmp_path / name, look, check)
    (temp,) = seen
    assert temp.parent == tmp_path
    assert temp.name.startswith(f".{Path(name).stem}.{os.getpid()}.")
    assert temp.name.endswith(f".tmp{Path(name).suffix}")
    assert atomic.is_temp(temp.name)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_order_of_the_steps(final, monkeypatch):
    steps = []
    fsync, replace = os.fsync, os.replace

    def fsync_seen(handle):
        folder = stat.S_ISDIR(os.fstat(handle).st_mode)
        steps.append("fsync folder" if folder else "fsync file")
        fsync(handle)

    def replace_seen(source, target):
        steps.append("replace")
        replace(source, target)

    monkeypatch.setattr(os, "fsync", fsync_seen)
    monkeypatch.setattr(os, "replace", replace_seen)
    atomic.publish(
        final,
        lambda temp: (steps.append("write"), write(temp))[1],
        lambda temp: steps.append("verify"),
    )
    assert steps == ["write", "fsync file", "verify", "replace", "fsync folder"]


def test_two_threads_may_write_one_file_at_once(final):
    both = threading.Barrier(2)
    temps, failures = [], []

    def slow(temp):
        write(temp)
        temps.append(temp)
        both.wait(20)

    def run():
        try:
            atomic.publish(final, slow, no_check)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert failures == []
    assert len(set(temps)) == 2
    assert final.read_bytes() == GOOD
    assert list(final.parent.iterdir()) == [final]


def test_a_link_is_replaced_and_not_followed(tmp_path):
    source = tmp_path / "source.exr"
    source.write_bytes(BEFORE)
    final = tmp_path / "final.exr"
    final.symlink_to(source)
    atomic.publish(final, write, no_check)
    assert source.read_bytes() == BEFORE
    assert final.read_bytes() == GOOD
    assert not final.is_symlink()


FULL = "the disk is full; free some space and run it again"


@pytest.mark.parametrize("step", ["open", "write", "close", "fsync", "verify", "replace"])
def test_a_failure_at_any_step_leaves_what_stood_there(final, monkeypatch, step):
    def fail(*args, **kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def failing_write(temp):
        if step == "open":
            fail()
        with temp.open("wb") as stream:
            stream.write(GOOD)
            if step == "write":
                fail()
        if step == "close":
            fail()

    if step in ("fsync", "replace"):
        monkeypatch.setattr(os, step, fail)
    with pytest.raises(WriteError) as caught:
        atomic.publish(final, failing_write, fail if step == "verify" else no_check)
    assert str(caught.value) == f"{final}: {FULL}"
    assert isinstance(caught.value.__cause__, OSError)
    assert stands(final)


@pytest.mark.parametrize("step", ["write", "verify"])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), SystemExit(3), RuntimeError("codec")])
def test_other_failures_pass_through_and_leave_nothing(final, step, error):
    def fail(temp):
        if step == "write":
            write(temp)
        raise error

    steps = {"write": write, "verify": no_check} | {step: fail}
    with pytest.raises(type(error)) as caught:
        atomic.publish(final, steps["write"], steps["verify"])
    assert caught.value is error
    assert stands(final)


def test_a_folder_that_cannot_be_forced_to_disk_is_no_failure(final, monkeypatch):
    def refuse(folder, flags):
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(os, "open", refuse)
    atomic.publish(final, write, no_check)
    monkeypatch.undo()
    assert final.read_bytes() == GOOD


@pytest.mark.parametrize(
    ("number", "line"),
    [
        (errno.ENOSPC, FULL),
        (
            errno.EDQUOT,
            "the disk quota is used up; free some space or have the quota raised",
        ),
        (
            errno.EACCES,
            "writing there is not permitted; check the permissions of the folder",
        ),
        (
            errno.EPERM,
            "writing there is not permitted; check the permissions of the folder",
        ),
        (errno.EROFS, "the disk is mounted read-only; write somewhere else"),
        (
            errno.EFBIG,
            "the file is larger than the disk or a limit allows; "
            "have the limit on file size raised (ulimit -f) or write somewhere else",
        ),
        (errno.EIO, "the disk reports a fault; check the disk and run it again"),
        (errno.EBUSY, "Device or resource busy; correct it and run it again"),
        (
            errno.ENOENT,
            "it vanished while it was written; run it again, once and not twice at a time",
        ),
    ],
)
def test_reasons_in_plain_words(final, number, line):
    def fail(temp):
        raise OSError(number, os.strerror(number))

    with pytest.raises(WriteError) as caught:
        atomic.publish(final, fail, no_check)
    assert str(caught.value) == f"{final}: {line}"
    assert stands(final)


def test_an_error_without_a_number(final):
    def fail(temp):
        raise OSError("odd")

    with pytest.raises(WriteError, match=r"quay\.1001\.exr: odd; correct it and run it again"):
        atomic.publish(final, fail, no_check)


def test_the_folder_is_missing(tmp_path):
    final = tmp_path / "none" / "quay.1001.exr"
    with pytest.raises(WriteError) as caught:
        atomic.publish(final, write, no_check)
    assert str(caught.value) == (
        f"{final}: its folder does not exist; make the folder {final.parent}"
    )
    assert list(tmp_path.iterdir()) == []


def test_the_folder_vanishes_while_it_is_written(tmp_path):
    final = tmp_path / "out" / "quay.1001.exr"
    final.parent.mkdir()

    def vanish(temp):
        write(temp)
        temp.unlink()
        temp.parent.rmdir()

    with pytest.raises(WriteError, match="its folder does not exist"):
        atomic.publish(final, vanish, no_check)


def test_a_writer_that_writes_nothing_is_found_out(final):
    with pytest.raises(WriteError, match="it vanished while it was written"):
        atomic.publish(final, no_check, no_check)
    assert stands(final)


def test_a_folder_has_the_final_name(tmp_path):
    final = tmp_path / "quay.1001.exr"
    final.mkdir()
    with pytest.raises(WriteError, match=r"a folder has that name; choose another name"):
        atomic.publish(final, write, no_check)
    assert list(tmp_path.iterdir()) == [final]


def test_the_folder_is_a_file(final):
    with pytest.raises(WriteError, match="its folder is a file; choose another folder"):
        atomic.publish(final / "quay.1001.exr", write, no_check)


def test_the_name_is_too_long(tmp_path):
    with pytest.raises(WriteError, match="the name is too long for the disk"):
        atomic.publish(tmp_path / f"{'q' * 230}.exr", write, no_check)
    assert list(tmp_path.iterdir()) == []


def test_a_write_error_names_the_final_file(final):
    def fail(temp):
        write(temp)
        raise WriteError(
            f"cannot write {temp} ({temp.name})", remedy="try again", shot="quay", file=temp
        )

    with pytest.raises(WriteError) as caught:
        atomic.publish(final, fail, no_check)
    assert str(caught.value) == (f"quay: {final}: cannot write {final} (quay.1001.exr); try again")
    assert stands(final)


def test_a_write_error_keeps_its_place(final):
    def fail(temp):
        raise WriteError("no", shot="quay", frame=7, key="output")

    with pytest.raises(WriteError) as caught:
        atomic.publish(final, fail, no_check)
    assert str(caught.value) == f"quay frame 7: {final}: output: no"


@pytest.mark.skipif(not Path("/dev/fd").is_dir(), reason="nowhere to count open files")
def test_no_file_is_left_open(final):
    def count():
        return sum(1 for _ in Path("/dev/fd").iterdir())

    before = count()
    for _ in range(3):
        atomic.publish(final, write, no_check)
    assert count() == before


def test_all_names_of_a_file_share_one_identity(tmp_path):
    one, other = tmp_path / "a", tmp_path / "b"
    assert atomic.identity(one) is None
    one.touch()
    other.touch()
    (tmp_path / "hard").hardlink_to(one)
    (tmp_path / "soft").symlink_to(one)
    names = {atomic.identity(tmp_path / name) for name in ("a", "hard", "soft")}
    assert names == {(one.stat().st_dev, one.stat().st_ino)}
    assert atomic.identity(other) not in names


def test_a_result_that_reads_back_torn_is_a_write_error(final):
    def torn(temp):
        raise TornFrameError("it is cut short", frame=1001, file=temp, remedy="copy it again")

    with pytest.raises(WriteError) as caught:
        atomic.publish(final, write, torn)
    assert str(caught.value) == (
        f"frame 1001: {final}: what was written reads back wrong: it is cut short; "
        "check the disk and run it again"
    )
    assert stands(final)


def test_an_error_of_the_frame_itself_stays_what_it_is(final):
    error = TornFrameError("the source is torn", file="source.exr")

    def fail(temp):
        raise error

    with pytest.raises(TornFrameError) as caught:
        atomic.publish(final, fail, no_check)
    assert caught.value is error


def run(code: str, *arguments: object, **options) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        **options,
    )


def test_a_limit_on_file_size(final):
    resource = pytest.importorskip("resource")
    code = """
import sys
from pathlib import Path
from gradeprep.errors import WriteError
from gradeprep.plates import atomic
try:
    atomic.publish(Path(sys.argv[1]), lambda temp: temp.write_bytes(bytes(200_000)), len)
except WriteError as error:
    print(error)
"""

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    child = run(code, final, preexec_fn=limit)
    out, err = child.communicate(timeout=60)
    assert err == ""
    assert out.startswith(f"{final}: the file is larger than the disk or a limit allows; ")
    assert stands(final)


# ---- what killed processes leave


def test_a_killed_process_leaves_no_file_and_sweep_clears_up(tmp_path):
    final = tmp_path / "quay.1001.exr"
    code = """
import sys, time
from pathlib import Path
from gradeprep.plates import atomic
def write(temp):
    temp.write_bytes(b"half of a fra")
    print("writing", flush=True)
    time.sleep(120)
atomic.publish(Path(sys.argv[1]), write, len)
"""
    child = run(code, final)
    try:
        assert child.stdout.readline() == "writing\n"
        (temp,) = tmp_path.iterdir()
        assert atomic.is_temp(temp.name)
        assert atomic.sweep(tmp_path) == []  # the process lives
        assert temp.exists()
    finally:
        child.send_signal(signal.SIGKILL)
        child.communicate(timeout=60)
    assert not final.exists()
    assert temp.exists()
    assert atomic.sweep(tmp_path) == [temp]
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def dead():
    """Number of a process that has ended."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait(60)
    return child.pid


def test_sweep_leaves_everything_that_is_not_a_dead_process_own(tmp_path, dead):
    machine = atomic._MACHINE
    other = f"{int(machine, 16) ^ 1:08x}"
    gone = [
        f".quay.1001.{dead}.{machine}-0123abcd.tmp.exr",
        f".quay.{dead}.{machine}-0123abcd.tmp",
        f".new\nline.4294967297.{machine}-0123abcd.tmp.exr",  # beyond any process number
    ]
    stay = [
        f".quay.1001.{os.getpid()}.{machine}-0123abcd.tmp.exr",
        f".quay.1001.{os.getppid()}.{machine}-0123abcd.tmp.exr",
        f".quay.1001.{dead}.{other}-0123abcd.tmp.exr",  # of another machine
        f"quay.1001.{dead}.{machine}-0123abcd.tmp.exr",
        f".quay.1001.{dead}.tmp.exr",
        f".quay.1001.{dead}.{machine}-0123abcd.exr",
        "quay.1001.exr",
    ]
    for name in gone + stay:
        (tmp_path / name).write_bytes(b"")
    folder = f".folder.{dead}.{machine}-0123abcd.tmp.exr"
    (tmp_path / folder).mkdir()
    assert sorted(path.name for path in atomic.sweep(tmp_path)) == sorted(gone)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*stay, folder])


def test_a_process_of_somebody_else_is_alive(tmp_path, monkeypatch, dead):
    temp = tmp_path / f".quay.1001.{dead}.{atomic._MACHINE}-0123abcd.tmp.exr"
    temp.write_bytes(b"")

    def refuse(pid, number):
        assert (pid, number) == (dead, 0)
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "kill", refuse)
    assert atomic.sweep(tmp_path) == []
    assert temp.exists()


def test_sweep_of_a_folder_that_does_not_exist(tmp_path):
    assert atomic.sweep(tmp_path / "none") == []


@pytest.mark.parametrize(
    "name",
    ["quay.1001.exr", ".quay.1001.exr", ".tmp", "quay.tmp", ".q.12.tmp.exr", ".q.x.tmp.exr"],
)
def test_other_names_are_not_ours(name):
    assert not atomic.is_temp(name)


# ---- identity and digest


def test_same_file(tmp_path, monkeypatch):
    real = tmp_path / "real"
    real.mkdir()
    (tmp_path / "link").symlink_to(real)
    plate = real / "q.1001.exr"
    plate.write_bytes(b"")
    (real / "soft.exr").symlink_to(plate)
    (real / "hard.exr").hardlink_to(plate)
    (real / "copy.exr").write_bytes(b"")
    monkeypatch.chdir(real)

    assert atomic.same_file(plate, tmp_path / "link" / "q.1001.exr")
    assert atomic.same_file(plate, Path("q.1001.exr"))
    assert atomic.same_file(plate, tmp_path / "link" / ".." / "real" / "q.1001.exr")
    assert atomic.same_file(plate, real / "soft.exr")
    assert atomic.same_file(plate, real / "hard.exr")
    assert atomic.same_file(real / "new.exr", tmp_path / "link" / "new.exr")
    assert atomic.same_file(tmp_path / "no" / "new.exr", tmp_path / "link" / "../no/new.exr")

    assert not atomic.same_file(plate, real / "copy.exr")
    assert not atomic.same_file(plate, real / "new.exr")
    assert not atomic.same_file(real / "new.exr", plate)
    assert not atomic.same_file(real / "new.exr", real / "newer.exr")


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (1 << 20) + 1, 5 << 19])
def test_digest(tmp_path, size):
    data = bytes(range(256)) * (size // 256) + bytes(size % 256)
    (tmp_path / "x").write_bytes(data)
    assert atomic.digest(tmp_path / "x") == f"xxh128:{xxhash.xxh3_128(data).hexdigest()}"


def test_digest_of_nothing(tmp_path):  # the XXH3 specification's value of an empty input
    (tmp_path / "x").write_bytes(b"")
    assert atomic.digest(tmp_path / "x") == "xxh128:99aa06d3014798d86001c324468d497f"

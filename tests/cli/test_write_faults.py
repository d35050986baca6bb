"""Each call between a finished picture and its name on disk may fail: that frame is named, what
stood under its name stands there still, the others are done, and a resumed run mends it.

Where one frame's calls fail, they fail for the second of three. What `publish` does at each of
its own calls, with every error number, is in the tests of ``gradeprep.plates.atomic``.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import OpenEXR
import pytest
from refusal import ACESCCT, ACESCG, dpx_plate, exr_plate, speaks_plainly
from support import run, snapshot

from gradeprep import sidecar
from gradeprep.plates import atomic, files

BAD = 1002


def broken(number: int = errno.EIO) -> OSError:
    return OSError(number, os.strerror(number))


class Failing:
    """A file whose calls fail from some point on."""

    def __init__(self, file, *, writes: int, close: bool) -> None:
        self._file = file
        self._writes = writes
        self._close = close

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self._file.close()
        if self._close and error[0] is None:
            raise broken(errno.EDQUOT)

    def __getattr__(self, name):
        return getattr(self._file, name)

    def write(self, content):
        self._writes -= 1
        if self._writes < 0:
            raise broken(errno.ENOSPC)
        return self._file.write(content)


def ours(path) -> bool:
    """Whether a path is the result that is to fail, under whatever name it has for now."""
    return f"quay.{BAD}" in Path(path).name and "hot" not in Path(path).parts


def open_that_fails(patch, *, writes=10**9, close=False, at_all=False):
    real = Path.open

    def opened(self, mode="r", *rest, **more):
        if "w" in mode and ours(self):
            if at_all:
                raise broken(errno.EACCES)
            return Failing(real(self, mode, *rest, **more), writes=writes, close=close)
        return real(self, mode, *rest, **more)

    patch.setattr(Path, "open", opened)


def library_that(patch, fails=None, then=None):
    """The EXR library's write raises, or does its work and something happens to the file."""
    real = OpenEXR.File.write

    def write(self, name):
        if fails is not None and ours(name):
            raise fails
        real(self, name)
        if then is not None and ours(name):
            then(Path(name))

    patch.setattr(OpenEXR.File, "write", write)


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 1)


def call_that_fails(patch, owner, name, error):
    real = getattr(owner, name)

    def call(path, *rest, **more):
        if ours(path):
            raise error
        return real(path, *rest, **more)

    patch.setattr(owner, name, call)


def after_writing(patch, then):
    """Something happens to the file between the codec's last word and the next step."""
    real = files.write

    def write(frame, path):
        real(frame, path)
        if ours(path):
            then(path)

    patch.setattr(files, "write", write)


STEPS = {
    "dpx: open": lambda patch: open_that_fails(patch, at_all=True),
    "dpx: first write": lambda patch: open_that_fails(patch, writes=0),
    "dpx: later write": lambda patch: open_that_fails(patch, writes=1),
    "dpx: close": lambda patch: open_that_fails(patch, close=True),
    "exr: write": lambda patch: library_that(patch, RuntimeError("cannot write: No space left")),
    "exr: not even an exception of its own": lambda patch: library_that(patch, MemoryError()),
    "exr: short, and silent": lambda patch: library_that(patch, then=cut),
    "exr: nothing, and silent": lambda patch: library_that(patch, then=Path.unlink),
    "both: short, and silent": lambda patch: after_writing(patch, cut),
    "both: empty, and silent": lambda patch: after_writing(
        patch, lambda path: os.truncate(path, 0)
    ),
    "both: fsync": lambda patch: call_that_fails(patch, atomic, "_to_disk", broken()),
    "both: read back": lambda patch: call_that_fails(patch, files, "inspect", broken()),
    "both: digest": lambda patch: call_that_fails(patch, atomic, "digest", broken()),
    "both: rename": lambda patch: call_that_fails(patch, Path, "replace", broken(errno.EACCES)),
}
CASES = [
    (kind, step)
    for kind in ("exr", "dpx")
    for step in STEPS
    if step.startswith((f"{kind}:", "both:"))
]


@pytest.fixture
def plate(request, tmp_path, capsys):
    """A plate, its kind, and the command that pulled it once and is to do it again otherwise."""
    make, told = {"exr": (exr_plate, ACESCG), "dpx": (dpx_plate, ACESCCT)}[request.param]
    first = ("pull", make(tmp_path / "hot"), tmp_path / "out", *told)
    assert run(capsys, *first).code == 0
    return (*first, "--stops", "-2")


@pytest.mark.parametrize(("plate", "step"), CASES, indirect=["plate"])
def test_a_call_that_fails(plate, step, tmp_path, capsys, monkeypatch):
    sources, before = snapshot(tmp_path / "hot"), snapshot(tmp_path / "out")
    # Planning reads results too (their names and sizes): the fault begins with the first frame.
    with monkeypatch.context() as patch:
        STEPS[step](patch)
        ran = run(capsys, *plate, "--overwrite")
    assert ran.code == 1, ran
    speaks_plainly(ran)
    (line,) = ran.err.splitlines()
    assert line.startswith(f"gradeprep: quay frame {BAD}: "), ran
    assert ".tmp" not in line, ran
    after = snapshot(tmp_path / "out")
    assert {Path(name).name for name in before if before[name] == after[name]} == {
        "out",
        *(Path(name).name for name in before if f"quay.{BAD}" in name),
    }
    assert before.keys() == after.keys()
    record = sidecar.load(tmp_path / "out" / "quay.stops.json")
    assert [frame.number for frame in record.frames] == [1001, 1003]
    assert [found.frame for found in record.findings if found.severity == "fail"] == [BAD]
    assert snapshot(tmp_path / "hot") == sources
    ran = run(capsys, *plate, "--resume")
    assert ran.code == 0, ran
    assert "fail" not in (tmp_path / "out" / "quay.stops.json").read_text(encoding="utf-8")
    assert run(capsys, "audit", tmp_path / "out" / "quay.stops.json").code == 0
    assert snapshot(tmp_path / "hot") == sources


@pytest.mark.parametrize("plate", ["exr"], indirect=True)
def test_what_cannot_be_cleaned_up_is_no_frame(plate, tmp_path, capsys, monkeypatch):
    """Rename fails, and so does removing the temporary file: it stays hidden until a later run."""
    with monkeypatch.context() as patch:
        call_that_fails(patch, Path, "replace", broken())
        call_that_fails(patch, Path, "unlink", broken())
        ran = run(capsys, *plate, "--overwrite")
    assert ran.code == 1, ran
    (left,) = (path for path in (tmp_path / "out").iterdir() if path.name.startswith("."))
    assert atomic.is_temp(left.name)
    looked = run(capsys, "pull", tmp_path / "out", tmp_path / "next", *ACESCG, "--allow-pulled")
    assert looked.code == 0, looked
    assert len(list((tmp_path / "next").glob("*.exr"))) == 3


@pytest.mark.parametrize("plate", ["exr", "dpx"], indirect=True)
def test_a_sidecar_that_cannot_be_written(plate, tmp_path, capsys, monkeypatch):
    """The frames are done and noted in the journal; the older sidecar stands until a later run."""
    side = tmp_path / "out" / "quay.stops.json"
    before, real = side.read_bytes(), Path.open

    def opened(self, mode="r", *more, **named):
        if "stops" in self.name and "w" in mode:
            raise broken(errno.ENOSPC)
        return real(self, mode, *more, **named)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", opened)
        ran = run(capsys, *plate, "--overwrite")
    assert ran.code == 1, ran
    speaks_plainly(ran)
    assert f"{side}: the disk is full; free some space" in ran.err
    assert side.read_bytes() == before
    done = {path: path.stat().st_mtime_ns for path in side.parent.glob("quay.[0-9]*")}
    ran = run(capsys, *plate[:-3], *plate[-2:], "--resume")
    assert ran.code == 0, ran
    assert {path: path.stat().st_mtime_ns for path in done} == done
    assert run(capsys, "audit", side).code == 0


@pytest.mark.parametrize("plate", ["exr"], indirect=True)
@pytest.mark.parametrize("call", ["write", "flush"])
def test_a_journal_that_cannot_be_written_costs_nothing_but_work(
    call, plate, tmp_path, capsys, monkeypatch
):
    real = os.fdopen

    def opened(handle, *rest, **more):
        file = real(handle, *rest, **more)

        class Full:
            def __getattr__(self, name):
                return getattr(file, name)

        full = Full()

        def fail(*rest):
            raise broken(errno.ENOSPC)

        setattr(full, call, fail)
        return full

    with monkeypatch.context() as patch:
        patch.setattr(os, "fdopen", opened)
        ran = run(capsys, *plate, "--overwrite")
    assert ran.code == 0, ran
    assert run(capsys, "audit", tmp_path / "out" / "quay.stops.json").code == 0


def test_folder_that_vanishes_midway(tmp_path, capsys, monkeypatch):
    """Somebody removes the folder under a run: each frame behind that is named, nothing hangs."""
    hot = exr_plate(tmp_path / "hot", 3)
    real = files.write

    def write(frame, path):
        if ours(path):
            for other in path.parent.iterdir():
                other.unlink()
            path.parent.rmdir()
        real(frame, path)

    with monkeypatch.context() as patch:
        patch.setattr(files, "write", write)
        ran = run(capsys, "pull", hot, tmp_path / "out", *ACESCG)
    assert ran.code == 1, ran
    speaks_plainly(ran)
    for number in (1002, 1003):
        assert f"quay frame {number}: " in ran.err
    assert run(capsys, "pull", hot, tmp_path / "out", *ACESCG, "--resume").code == 0

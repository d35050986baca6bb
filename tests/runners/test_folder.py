"""The folder of results: made when needed, and left as clean as it was found."""

from __future__ import annotations

import os

import pytest

from gradeprep.errors import WriteError
from gradeprep.plates import atomic
from gradeprep.runners.folder import result_folder


def temporary(folder, process):
    """A half-written result of a process of this machine."""
    seen = []

    def write(temp):
        temp.touch()
        seen.append(temp.name)

    atomic.publish(folder / "quay.exr", write, lambda temp: None)
    (folder / "quay.exr").unlink()
    path = folder / seen[0].replace(f".{os.getpid()}.", f".{process}.")
    path.write_bytes(b"half")
    return path


def test_folder_that_stays_empty_goes_with_those_made_for_it(tmp_path):
    with result_folder(tmp_path / "deep" / "out"):
        assert (tmp_path / "deep" / "out").is_dir()
    assert not list(tmp_path.iterdir())


def test_folder_that_holds_something_stays(tmp_path):
    with result_folder(tmp_path / "deep" / "out"):
        (tmp_path / "deep" / "quay.exr").touch()
    assert [path.name for path in tmp_path.rglob("*")] == ["deep", "quay.exr"]


def test_folder_that_was_there_stays_even_empty(tmp_path):
    (tmp_path / "out").mkdir()
    with result_folder(tmp_path / "out"):
        pass
    assert (tmp_path / "out").is_dir()


def test_folder_goes_when_the_work_fails(tmp_path):
    with pytest.raises(KeyboardInterrupt), result_folder(tmp_path / "out"):
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_what_a_worker_that_died_left_is_swept(tmp_path):
    with result_folder(tmp_path / "out"):
        dead = temporary(tmp_path / "out", process=999999999)
        alive = temporary(tmp_path / "out", process=os.getpid())
        assert dead.exists()
    assert not dead.exists()
    assert alive.exists()


def test_what_dead_runs_left_is_swept_before(tmp_path):
    dead = temporary(tmp_path, process=999999999)
    with result_folder(tmp_path):
        assert not dead.exists()


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(WriteError, match=r"file/out: the folder cannot be made: Not a directory"):
        result_folder(tmp_path / "file" / "out").__enter__()

"""The hash in a record is that of the bytes that were decoded, whatever happens to the file."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest
import xxhash
from support import run, write_dpx, write_exr

from gradeprep.errors import PlateError, TornFrameError
from gradeprep.plates import atomic, exr, files

OLD, NEW = 0.25, 0.5


def plate(path, value):
    planes = dict.fromkeys("RGB", np.full((4, 4), value, np.float16))
    return write_exr(path, planes)


def hash_of(path):
    """XXH3 with 128 bits by its reference library."""
    return f"xxh128:{xxhash.xxh3_128_hexdigest(path.read_bytes())}"


def renamed_over(path, value):
    """Another file under the name, with the times of the old one as copying tools keep them."""
    times = path.stat()
    other = plate(path.with_name("other.exr"), value)
    os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
    other.replace(path)


def rewritten(path, value):
    """The same inode and size, the old time of modification."""
    times = path.stat()
    other = plate(path.with_name("other.exr"), value)
    assert other.stat().st_size == times.st_size
    with path.open("r+b") as file:
        file.write(other.read_bytes())
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def between(monkeypatch, change, times=1):
    """Do something between hashing and decoding, the first few times."""
    digest, calls = atomic.digest, []

    def injected(path):
        found = digest(path)
        if len(calls) < times:
            calls.append(path)
            change()
        return found

    monkeypatch.setattr(atomic, "digest", injected)
    return calls


@pytest.mark.parametrize("settled", [True, False], ids=["settled", "just written"])
@pytest.mark.parametrize("replace", [renamed_over, rewritten])
def test_a_file_replaced_between_is_read_again(replace, settled, tmp_path, monkeypatch):
    hot = plate(tmp_path / "hot.exr", OLD)
    if settled:
        monkeypatch.setattr(files, "_SETTLED", -(10**18))  # whatever its age
    between(monkeypatch, lambda: replace(hot, NEW))
    found = files.read_hashed(hot)
    assert found.frame.parts[0].channels["G"][0, 0] == NEW
    assert (found.hash, found.bytes) == (hash_of(hot), hot.stat().st_size)


def test_times_that_hide_a_change_are_not_trusted(tmp_path, monkeypatch):
    """Two changes within one tick of a file system's clock leave equal times."""
    hot = plate(tmp_path / "hot.exr", OLD)
    monkeypatch.setattr(files, "_state", lambda path: (1, 1, 1, 2**62, 2**62))
    between(monkeypatch, lambda: rewritten(hot, NEW))
    found = files.read_hashed(hot)
    assert found.frame.parts[0].channels["G"][0, 0] == NEW
    assert found.hash == hash_of(hot)


def test_a_settled_file_is_read_once(tmp_path, monkeypatch):
    hot = plate(tmp_path / "hot.exr", OLD)
    monkeypatch.setattr(files, "_SETTLED", -(10**18))
    calls = between(monkeypatch, lambda: None, times=9)
    files.read_hashed(hot)
    assert calls == [hot]


def test_a_file_that_always_changes_is_an_error(tmp_path, monkeypatch):
    hot = plate(tmp_path / "hot.exr", OLD)
    between(monkeypatch, lambda: renamed_over(hot, NEW), times=99)
    with pytest.raises(PlateError, match=r"hot\.exr: changed while it was read; run it again"):
        files.read_hashed(hot)


def test_a_torn_file_that_became_whole_is_read(tmp_path, monkeypatch):
    hot = plate(tmp_path / "hot.exr", OLD)
    hot.write_bytes(hot.read_bytes()[:-1])
    with pytest.raises(TornFrameError):
        files.read_hashed(hot)
    read, states = exr.read, []

    def late(path):
        if not states:
            states.append(path)
            plate(hot, NEW)
            raise TornFrameError("cut", file=path)
        return read(path)

    monkeypatch.setattr(exr, "read", late)
    assert files.read_hashed(hot).hash == hash_of(hot)


@pytest.mark.parametrize("replace", [renamed_over, rewritten])
def test_the_record_of_a_run_is_of_what_was_pulled(replace, tmp_path, capsys, monkeypatch):
    hot = plate(tmp_path / "hot.1001.exr", OLD)
    between(monkeypatch, lambda: replace(hot, NEW))
    said = run(capsys, "pull", hot, tmp_path / "out", "--space", "ACEScg", "--stops", "-1")
    assert said.code == 0
    pulled = exr.read(tmp_path / "out" / "hot.1001.exr").parts[0].channels["G"][0, 0]
    record = json.loads(next((tmp_path / "out").glob("*.json")).read_text())["frames"][0]
    assert (pulled, record["done"]["source"]["hash"]) == (NEW / 2, hash_of(hot))


def test_other_formats_are_hashed_alike(tmp_path):
    hot = write_dpx(tmp_path / "hot.dpx", dict.fromkeys("RGB", np.zeros((2, 2), np.uint16)))
    assert files.read_hashed(hot).hash == hash_of(hot)

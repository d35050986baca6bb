"""Pictures too large for anybody are refused by their header, before memory is taken for them."""

from __future__ import annotations

import os
import tracemalloc

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from support import write_dpx, write_exr

from gradeprep.errors import CannotCarryError, PlateError, RequestError
from gradeprep.plates import dpx, files
from gradeprep.plates.limits import GIB, Limits, current, seconds
from gradeprep.plates.regular import NotRegularError, TooLargeError, check_regular, content


def test_what_holds_when_nobody_says_otherwise():
    assert current({}) == Limits(side=32_768, bytes=16 * GIB)


def test_the_environment_moves_them():
    told = {"GRADEPREP_MAX_SIDE": " 60000 ", "GRADEPREP_MAX_GIB": "0.5"}
    assert current(told) == Limits(side=60_000, bytes=GIB // 2)


def test_time_is_told_in_whole_seconds():
    assert seconds({}) == 600
    assert seconds({"GRADEPREP_MAX_SECONDS": "1.5"}) == 2
    with pytest.raises(RequestError, match="GRADEPREP_MAX_SECONDS: '0' is not a limit"):
        seconds({"GRADEPREP_MAX_SECONDS": "0"})


@pytest.mark.parametrize("name", ["GRADEPREP_MAX_SIDE", "GRADEPREP_MAX_GIB"])
@pytest.mark.parametrize("told", ["many", "0", "-1", "nan", "inf", "1e99"])
def test_what_is_no_limit(name, told):
    with pytest.raises(
        RequestError, match=f"{name}: '{told}' is not a limit; give a number above 0"
    ):
        current({name: told})


def plate(folder, kind, side=64):
    """A good file of that many pixels on a side, three channels."""
    if kind == "exr":
        planes = dict.fromkeys("RGB", np.zeros((side, side), np.float16))
        return write_exr(folder / "quay.exr", planes)
    if kind == "dpx":
        planes = dict.fromkeys("RGB", np.zeros((side, side), np.uint16))
        return write_dpx(folder / "quay.dpx", planes)
    path = folder / "quay.tif"
    out = oiio.ImageOutput.create(str(path))
    out.open(str(path), oiio.ImageSpec(side, side, 3, oiio.UINT16))
    out.write_image(np.zeros((side, side, 3), np.uint16))
    out.close()
    return path


@pytest.mark.parametrize("kind", ["exr", "dpx", "tif"])
@pytest.mark.parametrize("door", [files.inspect, files.read], ids=["inspect", "read"])
def test_every_door_keeps_the_limits(kind, door, tmp_path, monkeypatch):
    path = plate(tmp_path, kind)
    monkeypatch.setenv("GRADEPREP_MAX_SIDE", "64")
    monkeypatch.setenv("GRADEPREP_MAX_GIB", str(64 * 64 * 3 * 2 / GIB))
    door(path)
    monkeypatch.setenv("GRADEPREP_MAX_GIB", str((64 * 64 * 3 * 2 - 1) / GIB))
    with pytest.raises(CannotCarryError, match=rf"quay.{kind}.*raise GRADEPREP_MAX_GIB"):
        door(path)
    monkeypatch.setenv("GRADEPREP_MAX_SIDE", "63")
    with pytest.raises(PlateError, match=rf"quay.{kind}.*64 x 64.*raise GRADEPREP_MAX_SIDE"):
        door(path)


def claims_60000(folder, kind):
    """A file whose header claims 60000 x 60000 pixels, over the few bytes that it has."""
    path = plate(folder, kind)
    raw = path.read_bytes()
    if kind == "exr":
        window = np.array([0, 0, 63, 63], "<i4").tobytes()
        assert raw.count(window) == 2
        raw = raw.replace(window, np.array([0, 0, 59_999, 59_999], "<i4").tobytes())
    else:
        raw = dpx.patched(raw[:2048], width=60_000, height=60_000) + raw[2048:]
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize("kind", ["exr", "dpx"])
@pytest.mark.parametrize("side", ["32768", "65536"])
def test_a_claim_of_60000_takes_no_memory(kind, side, tmp_path, monkeypatch):
    """Under the usual limit by its side; under a raised one by what its bytes could hold."""
    monkeypatch.setenv("GRADEPREP_MAX_SIDE", side)
    path = claims_60000(tmp_path, kind)
    tracemalloc.start()
    try:
        with pytest.raises(PlateError):
            files.read(path)
        assert tracemalloc.get_traced_memory()[1] < 4 << 20
    finally:
        tracemalloc.stop()


def test_a_small_file_that_would_fill_the_memory(tmp_path, monkeypatch):
    """Zeros shrink a thousandfold: 200 kB that decode to 96 MB."""
    planes = dict.fromkeys("RGB", np.zeros((4000, 4000), np.float16))
    path = write_exr(tmp_path / "bomb.exr", planes, compression=OpenEXR.ZIP_COMPRESSION)
    assert path.stat().st_size < 500_000
    monkeypatch.setenv("GRADEPREP_MAX_GIB", "0.05")
    tracemalloc.start()
    try:
        with pytest.raises(CannotCarryError, match=r"holds 0\.0894 GiB .* limit is 0\.05 GiB"):
            files.read(path)
        assert tracemalloc.get_traced_memory()[1] < 4 << 20
    finally:
        tracemalloc.stop()


# What is read whole


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
@pytest.mark.parametrize("name", ["quay.exr", "quay.dpx", "quay.tif"])
def test_a_pipe_is_not_waited_for(name, tmp_path):
    os.mkfifo(tmp_path / name)
    with pytest.raises(PlateError, match="not a regular file"):
        files.read(tmp_path / name)


def test_regular_files_and_others(tmp_path):
    path = tmp_path / "notes.csv"
    path.write_bytes(b"12345")
    (tmp_path / "link").symlink_to(path)
    check_regular(tmp_path / "link")
    assert content(path, 5) == b"12345"
    with pytest.raises(TooLargeError, match="larger than 0 MiB"):
        content(path, 4)
    for other in (tmp_path, "/dev/zero"):
        with pytest.raises(NotRegularError, match="not a regular file"):
            content(tmp_path / other, 5)
    with pytest.raises(FileNotFoundError):
        content(tmp_path / "none", 5)

"""Plates of a folder: where they are looked for, and what they say of themselves."""

from __future__ import annotations

import numpy as np
import pytest
from filmed import write_plate
from support import write_dpx

from gradeprep.conform.library import find_plates
from gradeprep.plates import files
from gradeprep.plates.dpxheader import patched


def names(library):
    return [str(plate) for plate in library.plates]


def test_folders_below_and_behind_links_are_searched_once(tmp_path):
    write_plate(tmp_path / "show/day_1", "quay", frames=2)
    write_plate(tmp_path / "show/.trash", "old", frames=2)
    write_plate(tmp_path / "disk/day_2", "loft", frames=2)
    (tmp_path / "show/day_2").symlink_to(tmp_path / "disk/day_2")
    (tmp_path / "show/day_2_again").symlink_to(tmp_path / "disk/day_2")
    (tmp_path / "show/day_1/around").symlink_to(tmp_path / "show")
    assert names(find_plates(tmp_path / "show")) == ["quay.####.exr", "loft.####.exr"]


def test_an_exr_tells_its_reel(tmp_path):
    plate = write_plate(tmp_path, "quay", reel="A001_C001", frames=1)
    assert files.inspect(plate.with_name("quay.1001.exr")).reels == ("A001_C001",)
    (found,) = find_plates(tmp_path).plates
    assert found.reels == {"a001_c001"}


def test_a_dpx_tells_its_device_and_source(tmp_path):  # SMPTE ST 268: fields of the source
    path = write_dpx(tmp_path / "a.1001.dpx", dict.fromkeys("RGB", np.zeros((2, 4), np.uint16)))
    raw = path.read_bytes()
    head = patched(raw[:2048], input_device="TAPE 7", source_file="quay_0100.0001.dpx")
    path.write_bytes(head + raw[2048:])
    assert files.inspect(path).reels == ("TAPE 7", "quay_0100.0001.dpx")
    (found,) = find_plates(tmp_path).plates
    assert {"tape 7", "quay_0100"} <= found.reels


@pytest.mark.parametrize(
    ("start", "rate", "per_label", "count"),
    [
        ("01:00:00:00", 24, 1, 86_400),
        ("23:59:59:20", 24, 1, 2_073_596),
        ("23:59:59:22", 50, 2, 4_319_994),  # labels count pairs, over midnight
    ],
)
def test_times_of_a_plate_are_read_from_its_ends(
    start, rate, per_label, count, tmp_path, monkeypatch
):
    write_plate(tmp_path, "quay", start, frames=12, rate=str(rate), per_label=per_label)
    opened = []
    inspect = files.inspect
    monkeypatch.setattr(files, "inspect", lambda path: opened.append(path) or inspect(path))
    (plate,) = find_plates(tmp_path).plates
    (run,) = plate.runs(rate)
    assert (run.count, run.frame, run.length) == (count, 1001, 12)
    assert len(opened) <= 3

"""Parts: records of a chunk, waiting beside the plates."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.farm import part
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Counts, FileMark
from gradeprep.model.shot import FrameEntry, FrameResult


def record(number: int, hash: str = "a") -> FrameEntry:
    mark = FileMark(bytes=1, hash=f"xxh128:{hash}")
    return FrameEntry(
        number=number,
        source=f"/hot/{number}",
        result=f"/out/{number}",
        stages=(),
        stops=-1.0,
        kernels=("carry",),
        done=FrameResult(source=mark, result=mark, counts=Counts()),
    )


@pytest.fixture
def path(tmp_path):
    return part.path_for(tmp_path, "quay", "order", FrameRange.parse("1-4"))


def test_records_come_back(path):
    part.add(path, "quay", "order", [record(2), record(1)])
    assert part.read(path, "order") == (record(1), record(2))
    assert part.read(path, "another") == ()


def test_what_another_wrote_meanwhile_stays(path):
    part.add(path, "quay", "order", [record(1), record(2)])
    part.add(path, "quay", "order", [record(2, "b"), record(3)])
    assert part.read(path, "order") == (record(1), record(2, "b"), record(3))


@pytest.mark.parametrize("cut", [0, 1, 40, -2])
def test_a_torn_part_tells_nothing_and_is_written_over(path, cut):
    part.add(path, "quay", "order", [record(1)])
    path.write_bytes(path.read_bytes()[:cut])
    assert part.read(path, "order") == ()
    part.add(path, "quay", "order", [record(2)])
    assert part.read(path, "order") == (record(2),)


def test_a_link_is_not_followed(path, tmp_path):
    part.add(path, "quay", "order", [record(1)])
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    assert part.read(path, "order") == ()


def test_only_parts_of_the_shot_and_order_count(tmp_path):
    frames = FrameRange.parse("-5--1")
    own = part.path_for(tmp_path, "quay", "order", frames)
    part.add(own, "quay", "order", [record(-5)])
    for shot, order in (("quay.stops.x", "order"), ("quay", "another")):
        part.add(part.path_for(tmp_path, shot, order, frames), shot, order, [record(-4)])
    (tmp_path / ".quay.stops.1-2.part").write_text(json.dumps({}), encoding="utf-8")
    assert part.beside(tmp_path, "quay", "order") == {own: (record(-5),)}
    assert part.beside(tmp_path / "absent", "quay", "order") == {}


@given(st.sets(st.integers(-50, 50), min_size=1), st.sets(st.integers(-50, 50), min_size=1))
def test_other_frames_have_another_name(one, other):
    names = [
        part.path_for(part.Path("/out"), "quay", "order", FrameRange.of(frames))
        for frames in (one, other)
    ]
    assert (names[0] == names[1]) == (one == other)

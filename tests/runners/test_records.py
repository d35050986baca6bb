"""Records of many frames, kept as text."""

from __future__ import annotations

import errno
import tempfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.framerange import FrameRange
from gradeprep.model.order import StageOrder
from gradeprep.model.record import Counts, FileMark
from gradeprep.model.shot import FrameEntry, FrameResult
from gradeprep.runners.records import Records


def record(number: int, stops: float = -1.0) -> FrameEntry:
    mark = FileMark(bytes=1, hash="xxh128:a")
    return FrameEntry(
        number=number,
        source=f"künstlich.{number}.exr",
        result=f"{number}.exr",
        stages=(StageOrder(stage="balance", numbers={"stops": (stops, 0.1, -0.0)}),),
        stops=stops,
        kernels=("light",),
        done=FrameResult(
            source=mark, result=mark, counts=Counts(clipped={"R": 3}), header=("a\nb",)
        ),
    )


def kept_of(*records: FrameEntry) -> Records:
    kept = Records(FrameRange.of(one.number for one in records))
    for one in records:
        kept.add(one)
    return kept


numbers = st.integers(-(10**15) + 1, 10**15 - 1)


@given(st.dictionaries(numbers, st.floats(-40, 40), max_size=5), st.sets(numbers, max_size=5))
def test_what_went_in_comes_out_by_number(stops, others):
    records = [record(number, value) for number, value in stops.items()]
    kept = Records(FrameRange.of(stops.keys() | others))
    for one in records:
        kept.add(one)
    assert bool(kept) == bool(records)
    assert list(kept.numbers) == sorted(stops)
    in_order = sorted(records, key=lambda one: one.number)
    assert list(kept) == list(kept) == in_order
    assert [repr(one) for one in kept] == [repr(one) for one in in_order]  # -0.0 among them


def test_nothing_of_a_frame_stays_in_memory():
    kept = kept_of(*map(record, range(20)))
    assert kept._homeless == {}
    assert list(kept.numbers) == list(range(20))


def test_the_later_of_two_counts():
    kept = kept_of(record(1), record(2))
    kept.add(record(1, -2.0))
    assert list(kept) == [record(1, -2.0), record(2)]


_ROOM = {  # bytes that each write takes; a record is its text and its place
    "full at once": [3],
    "full later": [None] * 4 + [3],
    "full before the place": [None, 3],
    "full before a later place": [None] * 7 + [9],
}


def test_a_frame_that_may_not_come_is_refused():
    with pytest.raises(KeyError, match="3"):
        kept_of(record(1), record(5)).add(record(3))


@pytest.mark.parametrize("full", ["no file", *_ROOM])
def test_no_room_on_disk_loses_none(full, monkeypatch):
    """Frame 3 comes anew where there is no room any more, frame 4 where there is some again."""

    def nothing(**options):
        raise OSError(errno.ENOSPC, "full")

    if full == "no file":
        monkeypatch.setattr(tempfile, "TemporaryFile", nothing)
    kept = Records(FrameRange.of(range(1, 6)))
    room = iter(_ROOM.get(full, ()))
    if kept._file is not None:
        file = _Full(kept._file, room)
        monkeypatch.setattr(kept, "_file", file)
    for number, stops in ((3, -1.0), (1, -1.0), (4, -1.0), (3, -2.0), (4, -2.0), (2, -1.0)):
        kept.add(record(number, stops))
    assert list(kept) == [record(1), record(2), record(3, -2.0), record(4, -2.0)]
    assert list(kept.numbers) == [1, 2, 3, 4]


class _Full:
    """A file that takes as many bytes of each write as it is told, None for all."""

    def __init__(self, file, room):
        self._file, self._room = file, room

    def write(self, text):
        room = next(self._room, None)
        if room is not None:
            self._file.write(text[:room])
            raise OSError(errno.ENOSPC, "full")
        return self._file.write(text)

    def __getattr__(self, name):
        return getattr(self._file, name)

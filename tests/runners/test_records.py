"""Records of many frames, kept as text."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.record import Counts, FileRecord, FrameRecord
from gradeprep.model.task import StageOrder
from gradeprep.runners.records import Records


def record(number: int, stops: float = -1.0) -> FrameRecord:
    file = FileRecord(file=f"künstlich.{number}.exr", bytes=1, hash="xxh128:a")
    return FrameRecord(
        number=number,
        stops=stops,
        stages=(StageOrder(stage="balance", numbers={"stops": (stops, 0.1, -0.0)}),),
        kernel="light",
        counts=Counts(clipped={"R": 3}),
        header=("a\nb",),
        source=file,
        result=file,
    )


@given(st.dictionaries(st.integers(), st.floats(-40, 40), max_size=5))
def test_what_went_in_comes_out_by_number(stops):
    records = [record(number, value) for number, value in stops.items()]
    kept = Records(records)
    assert len(kept) == len(records)
    in_order = sorted(records, key=lambda one: one.number)
    assert list(kept) == list(kept) == in_order
    assert [repr(one) for one in kept] == [repr(one) for one in in_order]  # -0.0 among them


def test_the_later_of_two_counts():
    kept = Records([record(1), record(2)])
    kept.add(record(1, -2.0))
    assert list(kept) == [record(1, -2.0), record(2)]


def test_drained_is_empty():
    kept = Records([record(2), record(1)])
    assert list(kept.drained()) == [record(1), record(2)]
    assert len(kept) == 0

"""How many frames make a chunk."""

from __future__ import annotations

import workers
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.runners.chunksize import MOST, TARGET, ChunkQueue


def waiting(tmp_path, count=1000, seconds=None):
    found = ChunkQueue(workers.document(tmp_path, count).frames)
    if seconds is not None:
        found.learn(1, seconds)
    return found


def test_what_a_frame_costs_is_found_out_one_by_one(tmp_path):
    assert [len(waiting(tmp_path).take(8)) for _ in range(3)] == [1, 1, 1]


def test_a_chunk_takes_the_time_it_is_to_take(tmp_path):
    assert len(waiting(tmp_path, seconds=0.5).take(2)) == TARGET / 0.5


def test_frames_of_minutes_go_alone_and_those_of_nothing_not_all_at_once(tmp_path):
    assert len(waiting(tmp_path, seconds=300.0).take(2)) == 1
    assert len(waiting(tmp_path, seconds=0.0).take(2)) == MOST


def test_each_chunk_that_comes_back_corrects_by_half(tmp_path):
    found = waiting(tmp_path, seconds=4.0)
    found.learn(10, 20.0)
    assert found.seconds == (4.0 + 2.0) / 2
    found.learn(0, 20.0)  # it was stopped before its first frame
    assert found.seconds == 3.0


def test_the_last_chunks_are_small_so_that_all_end_together(tmp_path):
    found, sizes = waiting(tmp_path, 64, seconds=0.001), []
    while found:
        sizes.append(len(found.take(4)))
    assert sizes[:4] == [8, 7, 7, 6]
    assert sizes[-8:] == [1] * 8
    assert sum(sizes) == 64


@given(
    count=st.integers(0, 300),
    slots=st.integers(0, 40),
    seconds=st.none() | st.floats(0, 1e6),
    back=st.integers(0, 3),
)
def test_every_frame_goes_once_whatever_it_costs(tmp_path_factory, count, slots, seconds, back):
    found = waiting(tmp_path_factory.getbasetemp(), count, seconds)
    taken = []
    while found:
        chunk = found.take(slots)
        assert 1 <= len(chunk) <= MOST
        if back:  # its worker was lost
            back -= 1
            found.give_back(chunk)
        else:
            taken.extend(order.number for order in chunk)
    assert taken == list(range(1, count + 1))

"""The rule of chunks: long enough for their start not to matter, and not too many."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from gradeprep.farm.rule import MOST, SECONDS, UNMEASURED, chunk_sizes
from gradeprep.model.documents.cost import Cost, ShotCost


def cost(*shots: tuple[int, float | None]) -> Cost:
    told = {
        f"s{index}": ShotCost(
            frames=frames, bytes_read=0, bytes_written=0, seconds=seconds, source="measured"
        )
        for index, (frames, seconds) in enumerate(shots)
    }
    known = None if None in dict(shots).values() else sum(f * (s or 0) for f, s in shots)
    return Cost(
        frames=sum(frames for frames, _ in shots),
        bytes_read=0,
        bytes_written=0,
        processor_seconds=known,
        workers=1,
        wall_seconds=known,
        read_rate=None,
        write_rate=None,
        shots=told,
    )


def test_a_chunk_takes_two_minutes():
    assert chunk_sizes(cost((1000, 1.2), (1000, 2.4))) == {"s0": 100, "s1": 50}


def test_a_frame_that_takes_longer_is_a_chunk():
    assert chunk_sizes(cost((10, 900.0))) == {"s0": 1}


def test_nobody_knows():
    assert chunk_sizes(cost((100, None))) == {"s0": UNMEASURED}


def test_frames_that_take_no_time():
    assert chunk_sizes(cost((100, 0.0))) == {"s0": 100}


SHOTS = st.lists(st.tuples(st.integers(1, 50_000), st.floats(0.001, 500.0)), min_size=1, max_size=8)


@given(SHOTS)
def test_chunks_are_neither_too_many_nor_too_short(shots):
    sizes = chunk_sizes(cost(*shots))
    count = sum(math.ceil(frames / sizes[f"s{i}"]) for i, (frames, _) in enumerate(shots))
    assert count <= 2 * MOST + len(shots)  # rounding a chunk of one frame and a half down
    for index, (frames, seconds) in enumerate(shots):
        size = sizes[f"s{index}"]
        assert 1 <= size <= frames
        assert size == frames or size * seconds >= SECONDS / 2 or size == 1

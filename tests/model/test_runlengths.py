"""One value a frame: it answers as a list does, and holds what neighbours share once."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.runlengths import RunLengths

few = st.lists(st.integers(0, 2), max_size=30)


@given(few, st.slices(30), st.integers(-40, 40))
def test_answers_as_a_list_does(values, piece, place):
    kept = RunLengths(values)
    assert list(kept) == values
    assert len(kept) == len(values)
    assert list(kept[piece]) == values[piece]
    assert kept.count(1) == values.count(1)
    if -len(values) <= place < len(values):
        assert kept[place] == values[place]
    else:
        with pytest.raises(IndexError):
            kept[place]


@given(few)
def test_neighbours_that_are_equal_share_one(values):
    kept = RunLengths(values).distinct
    assert all(one != other for one, other in pairwise(kept))
    assert set(kept) == set(values)


def test_ten_thousand_equal_frames_are_asked_once():
    asked = []
    kept = RunLengths([("pull", -3.0)] * 10_000).each(lambda stage: asked.append(stage) or stage[1])
    assert asked == [("pull", -3.0)]
    assert (len(kept), kept.distinct, kept[9_999]) == (10_000, (-3.0,), -3.0)


@given(few)
def test_what_is_made_of_each_is_made_of_each(values):
    made = RunLengths(values).each(lambda value: value // 2)
    assert list(made) == [value // 2 for value in values]
    assert all(one != other for one, other in pairwise(made.distinct))


def test_a_value_that_equals_nothing_is_its_own_neighbour():
    nan = float("nan")
    assert len(RunLengths([nan] * 5).distinct) == 1

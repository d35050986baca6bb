"""The pull: one factor of two a stop, for all three channels, whatever their values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gradeprep.plugins.contracts import Light, Stage
from gradeprep.stages.pull import Pull, PullParams

LIGHT = Light((0.3, 0.6, 0.1), 0.0)
PULL = Pull()

pixels = st.lists(
    st.floats(-65504, 65504, width=32).filter(lambda v: v == 0 or abs(v) > 2.0**-60),
    min_size=3,
    max_size=30,
).map(lambda values: np.resize(np.asarray(values, np.float32), (2, len(values), 3)))


def test_keeps_the_contract():
    assert isinstance(PULL, Stage)


@given(pixels, st.floats(-40, 40))
def test_multiplies_by_two_to_the_stops(rgb, stops):
    before = rgb.copy()
    after = PULL.apply(rgb, {"stops": stops}, LIGHT)
    assert after.dtype == np.float32
    assert np.array_equal(after, before * np.float32(2.0**stops))


@given(pixels, st.integers(-40, 40))
def test_whole_stops_are_taken_back_bit_for_bit(rgb, stops):
    before = rgb.copy()
    after = PULL.apply(rgb, {"stops": stops}, LIGHT)
    assert PULL.inverse(after, {"stops": stops}, LIGHT).tobytes() == before.tobytes()


def test_nothing_is_clamped():
    rgb = np.asarray([[[-0.02, 0.0, 16.0]]], np.float32)
    assert PULL.apply(rgb, {"stops": -3.0}, LIGHT).tolist() == [[[np.float32(-0.0025), 0.0, 2.0]]]


@pytest.mark.parametrize(
    ("asked", "frame", "stops"),
    [(-3.0, 7, -3.0), ({1001: -3.0, 1005: -2.0}, 1002, -2.75), ({1: 0.5}, 99, 0.5)],
)
def test_decides_every_frame(asked, frame, stops):
    numbers = PULL.decide(PullParams(stops=asked), frame)
    assert numbers == {"stops": stops}
    assert PULL.exposure(numbers) == stops
    assert PULL.gains(numbers) == (2.0**stops,) * 3
    assert PULL.slope(numbers) == 1.0


def test_does_not_decide_what_is_still_to_be_measured():
    params = PullParams(stops={"meter": "card"})
    with pytest.raises(ValueError, match=r"^the stops are still to be measured by 'card'$"):
        PULL.decide(params, 1)


def test_refuses_what_it_does_not_know():
    with pytest.raises(ValidationError, match="Extra inputs"):
        PullParams(stops=1.0, gamma=2.2)

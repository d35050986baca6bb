"""Stops: the one unit, and the only power of two in the program."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.stops import GREY, LIMIT, gain, stops_from, tone, valid_stops

stops = st.floats(-LIMIT, LIMIT)


@pytest.mark.parametrize(
    ("asked", "factor"),
    [(0.0, 1.0), (1.0, 2.0), (-1.0, 0.5), (-3.0, 0.125), (0.5, math.sqrt(2.0)), (10.0, 1024.0)],
)
def test_a_stop_is_a_factor_of_two(asked, factor):  # ISO 2720
    assert gain(asked) == factor


@given(st.integers(-40, 40))
def test_whole_stops_are_exact(whole):
    assert gain(float(whole)) == math.ldexp(1.0, whole)
    assert stops_from(gain(float(whole))) == whole


@given(stops, stops)
def test_stops_add_where_gains_multiply(a, b):
    assert gain(a) * gain(b) == pytest.approx(gain(a + b), rel=1e-13)
    assert stops_from(gain(a)) == pytest.approx(a, abs=1e-13)


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.inf, math.nan])
def test_no_stops_without_light(ratio):
    with pytest.raises(ValueError) as caught:
        stops_from(ratio)
    assert str(caught.value) == (
        f"a ratio of {ratio!r} has no stops; it must be finite and above zero"
    )


def test_tones_are_told_from_grey():
    assert GREY == 0.18
    assert tone(0.18) == 0.0
    assert tone(0.09) == -1.0
    assert tone(0.9) == pytest.approx(2.3219, abs=5e-5)  # white side of the 18 % card: 2 1/3
    # IEEE 754-2019 binary16: from grey to the largest half, and down to the smallest normal
    assert tone(65504.0) == pytest.approx(18.47322658, abs=5e-9)
    assert tone(2.0**-14) == pytest.approx(-11.52606881, abs=5e-9)


@pytest.mark.parametrize("value", [LIMIT, -LIMIT, 0.0, -3.25])
def test_takes_usable_stops_as_they_are(value):
    assert valid_stops(value) == value


@pytest.mark.parametrize(
    ("value", "complaint"),
    [
        (math.inf, "inf is not a number of stops; give a finite number"),
        (math.nan, "nan is not a number of stops; give a finite number"),
        (40.5, "40.5 stops is beyond +-40, more than any plate spans"),
        (-1e9, "-1e+09 stops is beyond +-40, more than any plate spans"),
    ],
)
def test_refuses(value, complaint):
    with pytest.raises(ValueError) as caught:
        valid_stops(value)
    assert str(caught.value) == complaint

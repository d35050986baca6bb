"""How stops may be asked for: a number, keys over frames, a meter."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from gradeprep.model.exposure import Keys, MeterAsk, StopsAsk, checked_stops

ASK = TypeAdapter(StopsAsk)

keys = st.dictionaries(st.integers(-5000, 5000), st.floats(-40, 40), min_size=1, max_size=6)


def test_a_number_is_stops():
    assert ASK.validate_python(-3) == -3.0
    assert isinstance(ASK.validate_python(-3), float)
    assert checked_stops(2) == 2.0


def test_keys_run_in_a_straight_line_and_stay_level_outside():
    asked = ASK.validate_python({1048: -2.5, 1001: -3.0})
    assert isinstance(asked, Keys)
    told = [asked.stops(frame) for frame in (1, 1001, 1048, 9999)]
    assert told == [-3.0, -3.0, -2.5, -2.5]
    assert asked.stops(1011) == pytest.approx(-3.0 + 0.5 * 10 / 47, abs=1e-15)


@given(keys, st.integers(-6000, 6000))
def test_keys_pass_through_their_keys_and_never_overshoot(at, frame):
    asked = ASK.validate_python(at)
    assert [asked.stops(key) for key in at] == list(at.values())
    below = [at[key] for key in sorted(at) if key <= frame][-1:]
    above = [at[key] for key in sorted(at) if key >= frame][:1]
    near = below + above
    assert min(near) - 1e-12 <= asked.stops(frame) <= max(near) + 1e-12


def test_a_meter_keeps_its_parameters_unchecked():
    asked = ASK.validate_python({"meter": "card", "region": [1, 2], "frame": 7, 3: "odd"})
    assert isinstance(asked, MeterAsk)
    assert asked.meter == "card"
    assert asked.params == {"region": [1, 2], "frame": 7, "3": "odd"}
    assert ASK.validate_python(asked) is asked


@pytest.mark.parametrize(
    ("asked", "complaint"),
    [
        ("three", "'three' is not a number of stops"),
        (True, "'True' is not a number of stops"),
        (None, "'None' is not a number of stops"),
        ([1.0], "'[1.0]' is not a number of stops"),
        (float("nan"), "nan is not a number of stops; give a finite number"),
        (41, "41 stops is beyond +-40, more than any plate spans"),
        ({}, "give at least one key 'frame: stops'"),
        ({1001: "dark"}, "'dark' is not a number of stops"),
        ({1001: 99}, "99 stops is beyond +-40, more than any plate spans"),
        (
            {"1001": 1.0},
            "'1001' is not a frame number; keys are 'frame: stops', or say 'meter: NAME'",
        ),
        (
            {True: 1.0},
            "'True' is not a frame number; keys are 'frame: stops', or say 'meter: NAME'",
        ),
        ({"meter": 3}, "'meter' takes the name of a meter"),
        ({"meter": None}, "'meter' takes the name of a meter"),
    ],
)
def test_refuses(asked, complaint):
    with pytest.raises(ValidationError) as caught:
        ASK.validate_python(asked)
    assert [error["msg"] for error in caught.value.errors()] == [f"Value error, {complaint}"]

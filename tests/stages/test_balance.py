"""The balance: a pull per channel, and that it commutes with the pull."""

from __future__ import annotations

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gradeprep.model.exposure import MeterAsk
from gradeprep.plugins.contracts import Light, Stage
from gradeprep.stages.balance import Balance, BalanceParams
from gradeprep.stages.pull import Pull

LIGHT = Light((0.3, 0.6, 0.1), 0.0)
BALANCE, PULL = Balance(), Pull()

three = st.tuples(*[st.floats(-20, 20)] * 3)


def pixels() -> np.ndarray:
    return np.asarray([[[0.18, -0.02, 16.0], [1.0, 0.0, 1e-4]]], np.float32)


@pytest.mark.parametrize(
    ("stops", "good"),
    [
        ([0.1, 0, -0.2], True),
        ({"meter": "chart", "batch": "old"}, True),
        ([0.1, 0.2], False),
        ([0.1, 0.2, 0.3, 0.4], False),
        ([0.1, 0.2, 99], False),
        ([0.1, 0.2, -99], False),
        ([0.1, 0.2, "x"], False),
        ({"meter": 3}, False),
        ({"region": [1, 2, 3, 4]}, False),
        (0.3, False),
    ],
)
def test_an_editor_is_told_what_the_recipe_takes(stops, good):
    """The JSON Schema says of each value what the model says."""
    schema = BalanceParams.model_json_schema()
    assert jsonschema.Draft202012Validator(schema).is_valid({"stops": stops}) == good
    try:
        BalanceParams.model_validate({"stops": stops})
    except ValidationError:
        assert not good
    else:
        assert good


def test_keeps_the_contract():
    assert isinstance(BALANCE, Stage)


@given(three)
def test_each_channel_has_its_own_gain(stops):
    numbers = {"stops": stops}
    factors = np.asarray([2.0**value for value in stops], np.float32)
    assert np.array_equal(BALANCE.apply(pixels(), numbers, LIGHT), pixels() * factors)
    assert BALANCE.gains(numbers) == tuple(2.0**value for value in stops)
    assert BALANCE.exposure(numbers) == 0.0
    assert BALANCE.slope(numbers) == 1.0


@given(three, st.integers(-20, 20))
def test_commutes_with_a_pull(stops, pull):
    first, then = {"stops": stops}, {"stops": float(pull)}
    one = PULL.apply(BALANCE.apply(pixels(), first, LIGHT), then, LIGHT)
    other = BALANCE.apply(PULL.apply(pixels(), then, LIGHT), first, LIGHT)
    assert one.tobytes() == other.tobytes()  # whole stops of pull round nothing


@given(three)
def test_is_taken_back_within_float32(stops):
    back = BALANCE.inverse(
        BALANCE.apply(pixels(), {"stops": stops}, LIGHT), {"stops": stops}, LIGHT
    )
    np.testing.assert_allclose(back, pixels(), rtol=3e-7)


def test_decides():
    assert BALANCE.decide(BalanceParams(stops=[0.1, 0, -0.2]), 1) == {"stops": (0.1, 0.0, -0.2)}


def test_may_be_measured():
    params = BalanceParams(stops={"meter": "card", "frame": 7, 3: 4})
    assert isinstance(params.stops, MeterAsk)
    assert params.stops.params == {"frame": 7, "3": 4}
    with pytest.raises(ValueError, match=r"^the stops are still to be measured by 'card'$"):
        BALANCE.decide(params, 1)


THREE = "give three numbers of stops, for R, G and B: [0.1, 0.0, -0.2]"


@pytest.mark.parametrize(
    ("stops", "complaint"),
    [
        (1.0, THREE),
        ([1.0, 2.0], THREE),
        ([0.0] * 4, THREE),
        ({"R": 1.0}, THREE),
        ({"meter": 3}, THREE),
        ([0.0, "x", 0.0], "'x' is not a number of stops"),
        ([0.0, 0.0, 41], "41 stops is beyond +-40, more than any plate spans"),
    ],
)
def test_refuses(stops, complaint):
    with pytest.raises(ValidationError) as caught:
        BalanceParams(stops=stops)
    assert [error["msg"] for error in caught.value.errors()] == [f"Value error, {complaint}"]

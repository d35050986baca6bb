"""Decisions: what a frame's stages amount to, in order and backwards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lightref import WEIGHTS, decide

import gradeprep
from gradeprep.errors import PluginError, RequestError
from gradeprep.pipeline.decision import Decision

LIFT = ("lift", {"stops": 1.0, "below": -3.0, "softness": 3.0})
PULL = ("pull", {"stops": -3.0})
BALANCE = ("balance", {"stops": (0.5, 0.0, -1.0)})
NOTHING = ("lift", {"stops": 0.0, "below": -3.0, "softness": 3.0})


def pixels() -> np.ndarray:
    rng = np.random.default_rng(5)
    return (2.0 ** rng.uniform(-8, 3, (4, 8, 1)) * rng.uniform(0.1, 1, (4, 8, 3))).astype("f4")


@pytest.mark.parametrize(
    ("stages", "gains", "scalar", "identity", "stops", "slope"),
    [
        ((), (1.0, 1.0, 1.0), True, True, 0.0, 1.0),
        ((PULL,), (0.125, 0.125, 0.125), True, False, -3.0, 1.0),
        ((PULL, PULL), (2.0**-6,) * 3, True, False, -6.0, 1.0),
        ((PULL, ("pull", {"stops": 3.0})), (1.0, 1.0, 1.0), True, True, 0.0, 1.0),
        ((BALANCE,), (2.0**0.5, 1.0, 0.5), False, False, 0.0, 1.0),
        ((PULL, BALANCE), (2.0**0.5 / 8, 0.125, 0.0625), False, False, -3.0, 1.0),
        ((NOTHING, PULL), (0.125, 0.125, 0.125), True, False, -3.0, 1.0),
        ((LIFT, PULL), None, False, False, -3.0, 0.375),
        ((LIFT, LIFT, PULL), None, False, False, -3.0, 0.375**2),
    ],
)
def test_amounts_to(stages, gains, scalar, identity, stops, slope):
    decision = decide(*stages)
    assert decision.gains == (None if gains is None else pytest.approx(gains, rel=1e-15))
    assert (decision.scalar, decision.identity) == (scalar, identity)
    assert (decision.stops, decision.slope) == (stops, slope)


@given(st.integers(-40, 40))
def test_backwards_is_the_opposite_gain(stops):
    pull = ("pull", {"stops": float(stops)})
    assert decide(pull, backwards=True).gains == decide(("pull", {"stops": -float(stops)})).gains


def test_every_stage_is_told_what_exposure_is_still_to_come():
    decision = decide(LIFT, PULL, LIFT, ("pull", {"stops": 0.5}), BALANCE)
    assert [step.light.stops_to_come for step in decision.steps] == [-2.5, 0.5, 0.5, 0.0, 0.0]
    assert {step.light.weights for step in decision.steps} == {WEIGHTS}
    backwards = decide(LIFT, PULL, backwards=True)
    assert [step.light.stops_to_come for step in backwards.steps] == [-3.0, 0.0]


@pytest.mark.parametrize(
    "stages", [(LIFT, PULL), (PULL, LIFT), (BALANCE, LIFT, PULL), (LIFT, PULL, BALANCE)]
)
def test_stages_run_in_order_and_back_last_first(stages):
    by_hand = pixels()
    for step in decide(*stages).steps:
        by_hand = step.stage.apply(by_hand, step.numbers, step.light)
    done = decide(*stages).apply(pixels())
    assert done.tobytes() == by_hand.tobytes()
    back = decide(*stages, backwards=True).apply(done)
    np.testing.assert_allclose(back, pixels(), rtol=3e-5)


def test_order_matters_to_a_lift():
    """The curve stands on the normalized picture: after the pull it looks at what is there."""
    before, after = decide(LIFT, PULL).apply(pixels()), decide(PULL, LIFT).apply(pixels())
    np.testing.assert_allclose(before, after, rtol=1e-5)  # the same picture, ...
    assert before.tobytes() != after.tobytes()  # ... not the same rounding


def test_a_stage_without_an_inverse_has_no_slope():
    class OneWay:
        name = "one way"

        def slope(self, numbers):
            return None

    step = decide(PULL).steps[0]
    one_way = type(step)(OneWay(), {}, step.light)
    assert Decision((step, one_way)).slope is None


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda rgb: rgb.astype(np.float64), "stage pull from gradeprep {}: made float64 (7, 3)"),
        (lambda rgb: rgb[:2], "made float32 (2, 3) of (7, 3) in 'apply'"),
        (lambda rgb: None, "made NoneType of float32 in 'apply'"),
        (lambda rgb: 1 / 0, "failed with ZeroDivisionError: division by zero"),
    ],
)
def test_a_stage_that_misbehaves_is_named_with_its_package(monkeypatch, made, says):
    decision = decide(PULL)
    stage = decision.steps[0].stage
    monkeypatch.setattr(type(stage), "apply", lambda self, rgb, numbers, light: made(rgb))
    with pytest.raises(PluginError) as caught:
        decision.apply(np.ones((7, 3), np.float32))
    assert says.format(gradeprep.__version__) in str(caught.value)
    assert "stage pull from gradeprep" in str(caught.value)


def test_a_stage_may_say_that_it_cannot(monkeypatch):
    decision = decide(PULL)

    def refuse(self, rgb, numbers, light):
        raise ValueError("too dark here")

    monkeypatch.setattr(type(decision.steps[0].stage), "inverse", refuse)
    with pytest.raises(RequestError, match="stage pull: too dark here"):
        Decision(decision.steps, backwards=True).apply(np.ones((7, 3), np.float32))


def test_an_unknown_stage_is_named():
    with pytest.raises(PluginError, match="no stage is called 'pul'; did you mean pull"):
        decide(("pul", {"stops": 1.0}))


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_one_channel_that_differs_makes_it_no_gain_for_all(channel):
    stops = tuple(0.5 * (channel == index) for index in range(3))
    decision = decide(("balance", {"stops": stops}))
    assert decision.scalar is False
    assert decision.tonal is False
    assert decide(LIFT, ("balance", {"stops": stops})).tonal is False


def test_a_lift_and_plain_gains_are_tonal_each_way():
    assert decide(LIFT, PULL).tonal is True
    assert decide(LIFT, PULL, backwards=True).tonal is True

    class Forth:
        name = "forth"
        gains = staticmethod(lambda numbers: None)
        tone_gain = None

    step = decide(PULL).steps[0]
    forth = type(step)(Forth(), {}, step.light)
    assert Decision((forth,)).tonal is True
    assert Decision((forth,), backwards=True).tonal is False


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("stages", [(PULL,), (LIFT, PULL), (LIFT, LIFT, PULL), (LIFT, PULL, LIFT)])
def test_the_gain_of_a_luminance_is_what_a_neutral_is_multiplied_by(stages, backwards):
    decision = decide(*stages, backwards=backwards)
    tones = (0.18 * 2.0 ** np.linspace(-9.0, 3.0, 50)).astype(np.float32)
    gain = decision.gain_of(tones)
    assert gain.dtype == np.float32
    neutral = decision.apply(np.repeat(tones[None, :, None], 3, axis=2))
    np.testing.assert_allclose(tones * gain, neutral[0, :, 1], rtol=3e-5)


@pytest.mark.parametrize(
    ("backwards", "name"), [(False, "apply"), (True, "inverse")], ids=["forth", "back"]
)
def test_a_stage_that_misbehaves_is_told_with_the_method(monkeypatch, backwards, name):
    decision = decide(LIFT, backwards=backwards)
    monkeypatch.setattr(type(decision.steps[0].stage), name, lambda *given: None)
    with pytest.raises(PluginError, match=f"made NoneType of float32 in '{name}'"):
        decision.apply(np.ones((7, 3), np.float32))


@pytest.mark.parametrize(
    ("backwards", "name"), [(False, "tone_gain"), (True, "tone_gain_back")], ids=["forth", "back"]
)
def test_a_tonal_stage_that_misbehaves_is_told_with_the_method(monkeypatch, backwards, name):
    decision = decide(LIFT, backwards=backwards)
    monkeypatch.setattr(type(decision.steps[0].stage), name, lambda *given: None)
    with pytest.raises(PluginError, match=f"made NoneType of float32 in '{name}'"):
        decision.gain_of(np.ones(7, np.float32))

"""Settling: from what is asked to numbers for every frame, meters included."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from fakeview import FakeView

from gradeprep.errors import PlateError, RequestError
from gradeprep.model.lines import Lines
from gradeprep.model.recipe import Kinds, build_recipe
from gradeprep.model.record import Reading
from gradeprep.pipeline import metering as module
from gradeprep.pipeline.stagenumbers import check_order, settle
from gradeprep.plugins.registry import installed

CARD = {"meter": "grey_card", "region": [0, 0, 8, 8]}


def shot(*stages, **settings):
    plugins = installed()
    kinds = Kinds(*(plugins.params(kind) for kind in ("stages", "meters", "checks")))
    asked = {"plate": "a", "stages": list(stages), "output": {"plate": "o"}, **settings}
    recipe = build_recipe({"gradeprep": 1, "shots": {"a": asked}}, kinds, lines=Lines())
    return recipe.shots["a"]


def view(level=1.44):
    picture = np.empty((8, 8, 3), np.float32)
    picture[...] = level
    return FakeView({1: picture, 2: picture}, shot="a")


class Meter:
    """Stands in for a plugin; reads what it is told to."""

    def __init__(self, outcome):
        self.outcome = outcome
        self.Params = installed().get("meters", "grey_card").Params

    def read(self, plate, params):
        if isinstance(self.outcome, Exception):
            raise self.outcome
        return self.outcome


@pytest.fixture
def reads(monkeypatch):
    """Makes every meter read the given outcome."""

    def patch(outcome):
        plugins = installed()
        fake = SimpleNamespace(
            get=lambda kind, name: Meter(outcome) if kind == "meters" else plugins.get(kind, name)
        )
        monkeypatch.setattr(module, "installed", lambda: fake)

    return patch


def numbers(settled, frame):
    return [(order.stage, dict(order.numbers)) for order in settled.orders(frame)]


def test_numbers_stay_as_asked_and_nothing_is_measured():
    settled = settle(shot({"lift": {"stops": 1}}, {"pull": {"stops": -3}}), view=None)
    assert settled.readings == ()
    assert numbers(settled, 1) == [
        ("lift", {"stops": 1.0, "below": -3.0, "softness": 3.0}),
        ("pull", {"stops": -3.0}),
    ]
    assert settled.exposure(1) == -3.0


def test_keys_give_every_frame_its_own_number():
    settled = settle(shot({"pull": {"stops": {1001: -3.0, 1005: -2.0}}}), view=None)
    assert [settled.exposure(frame) for frame in (1001, 1002, 1005)] == [-3.0, -2.75, -2.0]


def test_a_meter_is_read_once_and_its_number_stands_for_all_frames():
    settled = settle(shot({"pull": {"stops": CARD}}), view())
    (reading,) = settled.readings
    assert reading.stops == pytest.approx(-3.0)
    assert numbers(settled, 1) == numbers(settled, 99) == [("pull", {"stops": reading.stops})]
    assert settled.as_data() == [{"pull": {"stops": reading.stops}}]


def test_a_balance_takes_the_readings_three_numbers():
    settled = settle(shot({"balance": {"stops": CARD}}), view([0.36, 0.18, 0.09]))
    (told,) = settled.as_data()
    assert told == {"balance": {"stops": list(settled.readings[0].balance)}}


@pytest.mark.parametrize(
    ("outcome", "complaint"),
    [
        (ValueError("it is dark"), "a: meter grey_card: it is dark"),
        (RequestError("no such thing", key="k"), "a: k: no such thing"),
        (PlateError("torn", frame=2), "a frame 2: torn"),
        (
            Reading(meter="grey_card", stops=41.0, sigma=0.0),
            "a: meter grey_card: its reading cannot be used: 41 stops is beyond +-40, more than "
            "any plate spans; look whether its region and its parameters are right",
        ),
    ],
)
def test_a_meter_that_cannot_tell_is_told(reads, outcome, complaint):
    reads(outcome)
    with pytest.raises(
        type(outcome) if isinstance(outcome, PlateError) else RequestError
    ) as caught:
        settle(shot({"pull": {"stops": CARD}}), view())
    assert str(caught.value) == complaint


def test_a_reading_without_balance_serves_no_balance(reads):
    reads(Reading(meter="grey_card", stops=-1.0, sigma=0.0))
    with pytest.raises(RequestError) as caught:
        settle(shot({"balance": {"stops": CARD}}), view())
    assert str(caught.value) == (
        "a: stages.balance: meter grey_card read no balance there; give three numbers of stops"
    )


def test_light_that_drifts_becomes_keys():
    pictures = {n: np.full((8, 8, 3), 0.18 * 2.0 ** (n / 4), np.float32) for n in range(1, 9)}
    drifting = FakeView(pictures, shot="a")
    asked = shot({"pull": {"stops": {**CARD, "per_frame": True}}})
    settled = settle(asked, drifting)
    for frame in range(1, 9):
        assert settled.exposure(frame) == pytest.approx(-frame / 4, abs=1e-3)
    (reading,) = settled.readings
    assert len(reading.evidence["frames"]) == 8


def test_one_frame_has_no_curve():
    still = FakeView({1: np.full((8, 8, 3), 0.72, np.float32)}, shot="a")
    with pytest.raises(RequestError, match="nothing changes over time"):
        settle(shot({"pull": {"stops": {**CARD, "per_frame": True}}}), still)


LIFT, PULL = {"lift": {"stops": 1}}, {"pull": {"stops": -3}}


def test_a_lift_behind_the_pull_is_refused_with_the_reason():
    with pytest.raises(RequestError) as caught:
        check_order(shot(PULL, LIFT))
    assert str(caught.value) == (
        "a: stages: lift comes after pull; open shadows before the pull, while the signal is still "
        "large; move lift before pull, or set 'order: as-written' to keep it"
    )


@pytest.mark.parametrize(
    ("stages", "settings"),
    [((), {}), ((LIFT, PULL), {}), ((LIFT,), {}), ((PULL, LIFT), {"order": "as-written"})],
)
def test_any_other_order_passes(stages, settings):
    check_order(shot(*stages, **settings))

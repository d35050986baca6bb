"""A decision tried out stands in the order that the recipe has, or would have once it is saved."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.recipefile import build
from gradeprep.pipeline.stageedits import with_stages
from gradeprep.review.desk.trial import StageTrial, change_of

LIFT, BALANCE = (0.5, -3.0, 3.0), (0.25, 0.0, -0.25)


def text(*stages: str) -> str:
    listed = ", ".join(f"{{{stage}: {PARAMS[stage]}}}" for stage in stages)
    return (
        'gradeprep: 1\ndefaults: {order: as-written, output: {plate: "out/{shot}.####.exr"}}\n'
        f"shots:\n  a: {{plate: a.exr, stages: [{listed}]}}\n"
    )


PARAMS = {
    "lift": "{stops: 0.5, below: -3.0, softness: 3.0}",
    "balance": "{stops: [0, 0, 0]}",
    "pull": "{stops: -1}",
}


def recipe(told: str) -> Recipe:
    return build(yaml.safe_load(told))


def names(told: str, tried: StageTrial) -> list[str]:
    return [order.stage for order in tried.orders(recipe(told).shots["a"])]


@pytest.mark.parametrize(
    ("stages", "expected"),
    [
        ((), ["lift", "balance", "pull"]),
        (("pull",), ["lift", "balance", "pull"]),
        (("balance", "pull"), ["lift", "balance", "pull"]),
        (("balance", "lift", "pull"), ["balance", "lift", "pull"]),
        (("pull", "lift"), ["pull", "lift", "balance"]),
    ],
)
def test_the_order_is_that_of_the_recipe(stages: tuple[str, ...], expected: list[str]) -> None:
    assert names(text(*stages), StageTrial(-2.0, LIFT, BALANCE)) == expected


@given(
    st.permutations(list(PARAMS)).flatmap(lambda it: st.sampled_from([it[:n] for n in range(4)]))
)
def test_what_is_looked_at_is_what_would_be_saved(stages: list[str]) -> None:
    tried = StageTrial(-2.0, LIFT, BALANCE)
    told: dict[str, Any] = {
        "lift": {"stops": 0.5, "below": -3.0, "softness": 3.0},
        "balance": list(BALANCE),
        "pull": -2.0,
    }
    saved = recipe(with_stages(text(*stages), {"a": change_of("a", told)})).shots["a"]
    assert [ask.stage for ask in saved.stages] == names(text(*stages), tried)


def test_numbers_go_to_their_stages() -> None:
    found = {
        o.stage: dict(o.numbers)
        for o in StageTrial(-2.0, LIFT, BALANCE).orders(recipe(text("pull")).shots["a"])
    }
    assert found == {
        "lift": {"stops": 0.5, "below": -3.0, "softness": 3.0},
        "balance": {"stops": BALANCE},
        "pull": {"stops": -2.0},
    }

"""Tasks: plain JSON, frozen, nothing unknown; and the hash of a decision."""

from __future__ import annotations

import json

import pytest
from pydantic import ValidationError

from gradeprep.model.task import (
    ColourOrder,
    FrameOrder,
    OutputOrder,
    StageOrder,
    Task,
    digest_of,
)


def order(number: int) -> FrameOrder:
    stages = (
        StageOrder(stage="pull", numbers={"stops": -3.0}),
        StageOrder(stage="balance", numbers={"stops": (0.1, 0.0, -0.2)}),
    )
    return FrameOrder(number=number, source=f"a.{number}.exr", result="b.exr", stages=stages)


TASK = Task(
    shot="a",
    digest="sha256:0",
    kernel="half-table",
    colour=ColourOrder(config="c", sha256="0", working="w", source="s", result="s"),
    layers=("",),
    output=OutputOrder(format="exr", type="source", compression="zip"),
    frames=(order(1), order(2)),
)


def test_a_task_goes_to_text_and_back():
    assert Task.model_validate_json(TASK.model_dump_json()) == TASK
    assert Task.model_validate(json.loads(json.dumps(TASK.model_dump(mode="json")))) == TASK


def test_part_of_a_task_keeps_the_decision():
    part = TASK.only(TASK.frames[1:])
    assert [frame.number for frame in part.frames] == [2]
    assert part.model_copy(update={"frames": TASK.frames}) == TASK


@pytest.mark.parametrize(
    "wrong",
    [
        {"version": 2},
        {"surprise": 1},
        {"nonfinite": "drop"},
        {"frames": ({"number": 1},)},
        {"output": {"format": "exr", "type": "half"}},
    ],
)
def test_refuses_what_it_does_not_know(wrong):
    with pytest.raises(ValidationError):
        Task.model_validate(TASK.model_dump() | wrong)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), (0.0, float("-inf"), 0.0)])
def test_no_number_is_one_that_json_lacks(value):
    with pytest.raises(ValidationError, match="finite"):
        StageOrder(stage="pull", numbers={"stops": value})


def test_is_frozen():
    with pytest.raises(ValidationError, match="frozen"):
        TASK.shot = "b"


def test_the_digest_is_of_the_content_not_of_its_order():
    assert digest_of({"b": [1, 2.5], "a": "é"}) == digest_of({"a": "é", "b": (1, 2.5)})
    assert digest_of({"a": 1}) != digest_of({"a": 2})
    # FIPS 180-4: SHA-256 of the two characters {}
    assert digest_of({}) == (
        "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    )

"""Parameters in words."""

from __future__ import annotations

from typing import Literal

import pytest
from pydantic import BaseModel, Field

from gradeprep.model.exposure import MeterAsk, Stops, StopsAsk
from gradeprep.plugins.parameters import described


class Inner(BaseModel):
    width: float = 1.0


class Params(BaseModel):
    plain: float
    between: float = Field(0.5, ge=0, le=1)
    open_below: float = Field(0.5, gt=0)
    open_above: int = Field(3, lt=9)
    at_least: int = Field(3, ge=2)
    at_most: int = Field(3, le=2)
    word: str = "x"
    yes: bool = False
    choice: Literal["a", "b", "c"] = "a"
    one: Literal["a"] = "a"
    maybe: int | None = None
    either: int | str = 1
    three: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mixed: tuple[float, str] = (0.0, "")
    many: tuple[str, ...] = ()
    inner: Inner = Inner()
    anything: object = None
    stops: Stops = 0.0
    asked: StopsAsk = 0.0
    measured: float | MeterAsk = 0.0


WORDS = {
    "plain": "number",
    "between": "number, 0..1",
    "open_below": "number, over 0",
    "open_above": "whole number, under 9",
    "at_least": "whole number, from 2",
    "at_most": "whole number, up to 2",
    "word": "text",
    "yes": "true or false",
    "choice": "a, b or c",
    "one": "a",
    "maybe": "whole number",
    "either": "whole number or text",
    "three": "[3 x number]",
    "mixed": "[2 x number or text]",
    "many": "[text]",
    "inner": "mapping",
    "anything": "anything",
    "stops": "number, -40..40",
    "asked": "number, -40..40, keys {frame: stops} or {meter: NAME, ...}",
    "measured": "number or {meter: NAME, ...}",
}


@pytest.mark.parametrize("name", Params.model_fields)
def test_a_type_is_told_in_words(name):
    (told,) = (one for one in described(Params) if one.name == name)
    assert told.type == WORDS[name]
    assert told.required is (name == "plain")


def test_the_order_is_the_models():
    assert [one.name for one in described(Params)] == list(Params.model_fields)
    assert described(Params)[12].default == [0.0, 0.0, 0.0]

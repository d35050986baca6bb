"""A meter's reading, asked for from the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeprep.errors import RequestError
from gradeprep.model.recipe import Recipe
from gradeprep.model.record import Reading
from gradeprep.pipeline.metering import read_frames, read_plate
from gradeprep.pipeline.view import View
from gradeprep.review.desk.resolver import meters_of

__all__ = ["MISSING", "read", "refuse_files"]

OPEN = ("grey_card", "chart", "reference", "average")
"""Meters that read plates and nothing else. Any other may name a file, so its parameters come
from the recipe and never from the page."""

MISSING = "say which meter, and its parameters"


def refuse_files(recipe: Recipe, shot: str, meter: str, params: Mapping[str, Any]) -> None:
    """Pass what can reach no file but the recipe's plates.

    Raises:
        RequestError: A meter that the page may not set the parameters of.
    """
    if meter in OPEN:
        return
    asked = meters_of(recipe, shot).values()
    if any(ask.meter == meter and ask.params == dict(params) for ask in asked):
        return
    raise RequestError(
        f"meter {meter} takes its parameters from the recipe, not from a page",
        shot=shot,
        remedy="write them into the recipe",
    )


def read(view: View, meter: str, params: Mapping[str, Any], *, per_frame: bool) -> dict[str, Any]:
    """A reading as plain data, with ``keys`` where every frame was read.

    Raises:
        RequestError: The meter is unknown, its parameters are wrong, or it gives no honest number.
        PlateError: A frame cannot be read.
    """
    if not per_frame:
        return _as_data(read_plate(view, meter, params))
    over_time = read_frames(view, meter, params)
    keys = [[frame, stops] for frame, stops in sorted(over_time.curve.keys.items())]
    return {**_as_data(over_time.summary), "keys": keys}


def _as_data(reading: Reading) -> dict[str, Any]:
    return reading.model_dump(mode="json")

"""How an exposure change may be asked for: a number, keys over frames, or a meter."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema

from gradeprep.model.stops import LIMIT, valid_stops

__all__ = ["METER_SCHEMA", "Keys", "MeterAsk", "Stops", "StopsAsk", "checked_stops"]


def checked_stops(value: Any) -> float:
    """A number of stops, checked.

    Raises:
        ValueError: Not a number, not finite, or beyond what any plate spans.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"'{value}' is not a number of stops")
    return valid_stops(float(value))


class Keys(BaseModel):
    """Stops at given frames: linear in stops between two keys, level before and after.

    Attributes:
        at: Frame number to stops; at least one.
    """

    model_config = ConfigDict(frozen=True)

    at: Mapping[int, float]

    def stops(self, frame: int) -> float:
        """Stops at a frame.

        >>> Keys(at={1001: -3.0, 1005: -2.0}).stops(1002)
        -2.75
        """
        numbers = sorted(self.at)
        if frame < numbers[0]:
            return self.at[numbers[0]]
        for low, high in pairwise(numbers):
            if frame < high:  # at a key the share is 0: it is met exactly
                share = (frame - low) / (high - low)
                return self.at[low] + share * (self.at[high] - self.at[low])
        return self.at[numbers[-1]]


METER_SCHEMA: dict[str, Any] = {
    "type": "object",
    "title": "MeterAsk",
    "properties": {
        "meter": {"type": "string", "description": "Name of the meter"},
        "per_frame": {
            "type": "boolean",
            "default": False,
            "description": "Read every frame, and turn the readings into keys",
        },
    },
    "required": ["meter"],
}
"""JSON Schema of a `MeterAsk` while no meter is known; a recipe's schema puts them in its place."""


class MeterAsk(BaseModel):
    """A wish to have the stops measured: a meter's name and its parameters.

    Attributes:
        meter: Name of the meter.
        per_frame: Read every frame, and turn the readings into keys.
    """

    model_config = ConfigDict(frozen=True, extra="allow")

    meter: str
    per_frame: bool = False

    @classmethod
    def __get_pydantic_json_schema__(cls, core: Any, handler: Any) -> dict[str, Any]:
        return METER_SCHEMA

    @property
    def params(self) -> dict[str, Any]:
        """The meter's parameters, not yet checked against the meter."""
        return dict(self.model_extra or {})


def _asked(value: Any) -> float | Keys | MeterAsk:
    if isinstance(value, Keys | MeterAsk):
        return value
    if isinstance(value, Mapping):
        if "meter" in value:
            if not isinstance(value["meter"], str):
                raise ValueError("'meter' takes the name of a meter")
            return MeterAsk(**{str(key): item for key, item in value.items()})
        return _keys(value)
    return checked_stops(value)


def _keys(value: Mapping[Any, Any]) -> Keys:
    if not value:
        raise ValueError("give at least one key 'frame: stops'")
    for frame in value:
        if isinstance(frame, bool) or not isinstance(frame, int):
            raise ValueError(
                f"'{frame}' is not a frame number; keys are 'frame: stops', or say 'meter: NAME'"
            )
    return Keys(at={frame: checked_stops(stops) for frame, stops in value.items()})


_NUMBER = {"type": "number", "minimum": -LIMIT, "maximum": LIMIT}

Stops = Annotated[float, BeforeValidator(checked_stops), WithJsonSchema(_NUMBER)]
"""A plain number of stops."""

StopsAsk = Annotated[
    float | Keys | MeterAsk,
    BeforeValidator(_asked),
    WithJsonSchema(
        {
            "anyOf": [
                _NUMBER,
                {
                    "type": "object",
                    "patternProperties": {"^-?[0-9]+$": _NUMBER},
                    "additionalProperties": False,
                    "minProperties": 1,
                },
                METER_SCHEMA,
            ]
        }
    ),
]
"""A number of stops, keys over frames, or a meter."""

"""The balance: an exposure change per channel, so that shots of a scene share one neutral."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from gradeprep.model.exposure import METER_SCHEMA, MeterAsk, checked_stops
from gradeprep.model.stops import LIMIT, gain
from gradeprep.plugins.contracts import Light, Numbers, Pixels

__all__ = ["Balance", "BalanceParams"]


def _asked(value: Any) -> tuple[float, float, float] | MeterAsk:
    if isinstance(value, MeterAsk):
        return value
    if isinstance(value, dict) and isinstance(value.get("meter"), str):
        return MeterAsk(**{str(key): item for key, item in value.items()})
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise ValueError("give three numbers of stops, for R, G and B: [0.1, 0.0, -0.2]")
    red, green, blue = (checked_stops(item) for item in value)
    return (red, green, blue)


_NUMBER = {"type": "number", "minimum": -LIMIT, "maximum": LIMIT}
_SCHEMA = {
    "anyOf": [
        {"type": "array", "items": _NUMBER, "minItems": 3, "maxItems": 3},
        METER_SCHEMA,
    ]
}


class BalanceParams(BaseModel):
    """Parameters of the balance."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    stops: Annotated[
        tuple[float, float, float] | MeterAsk, BeforeValidator(_asked), WithJsonSchema(_SCHEMA)
    ] = Field(description="Stops for R, G and B in the working space, or {meter: NAME, ...}")


class Balance:
    """Multiplies each channel by its own ``2 ** stops`` in the working space."""

    name = "balance"
    summary = "exposure change per channel, in stops for R, G and B"
    Params = BalanceParams

    def decide(self, params: BalanceParams, frame: int) -> Numbers:
        """The three numbers of stops; the same for every frame."""
        if isinstance(params.stops, MeterAsk):
            raise ValueError(f"the stops are still to be measured by '{params.stops.meter}'")
        return {"stops": params.stops}

    def exposure(self, numbers: Numbers) -> float:
        """None of the whole picture."""
        return 0.0

    def gains(self, numbers: Numbers) -> tuple[float, float, float]:
        """A linear gain per channel."""
        red, green, blue = self._stops(numbers)
        return (gain(red), gain(green), gain(blue))

    def slope(self, numbers: Numbers) -> float:
        """A gain moves all tones of a channel alike."""
        return 1.0

    def apply(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Scene-linear pixels, each channel times its gain."""
        factors = np.asarray(self.gains(numbers), np.float32)
        return np.multiply(rgb, factors, out=rgb)

    def inverse(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Each channel by the opposite exposure change."""
        factors = np.asarray([gain(-stops) for stops in self._stops(numbers)], np.float32)
        return np.multiply(rgb, factors, out=rgb)

    @staticmethod
    def _stops(numbers: Numbers) -> tuple[float, ...]:
        stops = numbers["stops"]
        assert isinstance(stops, tuple | list)
        return tuple(float(item) for item in stops)

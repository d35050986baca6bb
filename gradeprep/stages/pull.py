"""The pull: an exposure change by a number of stops, as a filter or a slower stop gives it."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.model.exposure import Keys, StopsAsk
from gradeprep.model.stops import gain
from gradeprep.plugins.contracts import Light, Numbers, Pixels

__all__ = ["Pull", "PullParams"]


class PullParams(BaseModel):
    """Parameters of the pull."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    stops: StopsAsk = Field(
        description="Stops, negative darkens: a number, keys {frame: stops}, or {meter: NAME, ...}"
    )


class Pull:
    """Multiplies scene-linear light by ``2 ** stops`` (ISO 2720: a step is a factor of two)."""

    name = "pull"
    summary = "exposure change of the whole picture, in stops"
    Params = PullParams

    def decide(self, params: PullParams, frame: int) -> Numbers:
        """The stops of one frame; between two keys the stops run in a straight line."""
        asked = params.stops
        if isinstance(asked, Keys):
            return {"stops": asked.stops(frame)}
        if isinstance(asked, float):
            return {"stops": asked}
        raise ValueError(f"the stops are still to be measured by '{asked.meter}'")

    def exposure(self, numbers: Numbers) -> float:
        """The stops themselves."""
        stops = numbers["stops"]
        assert isinstance(stops, float | int)
        return float(stops)

    def gains(self, numbers: Numbers) -> tuple[float, float, float]:
        """The same linear gain for all three channels."""
        factor = gain(self.exposure(numbers))
        return (factor, factor, factor)

    def slope(self, numbers: Numbers) -> float:
        """A gain moves all tones alike."""
        return 1.0

    def apply(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Scene-linear pixels times the gain; negatives and values above 1 live on."""
        return np.multiply(rgb, np.float32(gain(self.exposure(numbers))), out=rgb)

    def inverse(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """The opposite exposure change."""
        return np.multiply(rgb, np.float32(gain(-self.exposure(numbers))), out=rgb)

"""Stage: an exposure change per channel, in printer points."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.model.stops import gain
from gradeprep.plugins.contracts import Light, Numbers, Pixels
from printer_points.points import Triple, stops_of

__all__ = ["PrinterPoints", "PrinterPointsParams"]


class PrinterPointsParams(BaseModel):
    """Parameters of the stage."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    points: Triple = Field(
        description="Printer points for R, G and B; 12 make a stop, plus is brighter"
    )


class PrinterPoints:
    """Multiplies each channel by ``10 ** (0.025 * points)``, in scene-linear light."""

    api = 1
    name = "printer_points"
    summary = "exposure change per channel, in printer points"
    Params = PrinterPointsParams

    def decide(self, params: PrinterPointsParams, frame: int) -> Numbers:
        """Stops for R, G and B, so that sidecars tell what they tell of every stage."""
        return {"stops": stops_of(params.points)}

    def exposure(self, numbers: Numbers) -> float:
        """What the three channels have in common: their mean, in stops."""
        return sum(self._stops(numbers)) / 3.0

    def gains(self, numbers: Numbers) -> Triple:
        """A linear gain per channel: that is all the stage does."""
        red, green, blue = (gain(stops) for stops in self._stops(numbers))
        return (red, green, blue)

    def slope(self, numbers: Numbers) -> float:
        """A gain moves all tones of a channel alike."""
        return 1.0

    def apply(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Each channel times its gain; the given array is reused."""
        return np.multiply(rgb, np.asarray(self.gains(numbers), np.float32), out=rgb)

    def inverse(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Each channel by the opposite exposure change."""
        back = [gain(-stops) for stops in self._stops(numbers)]
        return np.multiply(rgb, np.asarray(back, np.float32), out=rgb)

    @staticmethod
    def _stops(numbers: Numbers) -> tuple[float, ...]:
        stops = numbers["stops"]
        assert isinstance(stops, tuple | list)
        return tuple(stops)

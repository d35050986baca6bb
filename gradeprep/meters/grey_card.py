"""Meter: a card of known reflectance in the picture."""

from __future__ import annotations

import math

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.meters.overshot import combine, frames_to_read, look_at
from gradeprep.meters.patches import RGB, neutral
from gradeprep.meters.region import Level, Region, level
from gradeprep.model.record import Reading
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import PlateView

__all__ = ["GreyCard", "GreyCardParams"]


class GreyCardParams(BaseModel):
    """Parameters of the grey-card meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    region: Region = Field(
        description="x, y, width, height of the card in pixels of the display window, or fractions"
    )
    frame: int | None = Field(
        None, description="Frame to read; up to five over the shot when left out"
    )
    reflectance: float = Field(GREY, gt=0.0, le=1.0, description="Reflectance of the card, 0..1")
    tolerance: float = Field(
        0.01,
        ge=0.0,
        lt=1.0,
        description="Tolerance of that reflectance, absolute; reported beside sigma, not within it",
    )
    max_gradient: float = Field(
        0.25, gt=0.0, description="Largest difference between the card's quarters, in stops"
    )
    min_snr: float = Field(
        3.0, ge=1.0, description="Least signal-to-noise ratio of a pixel of the card"
    )


class GreyCard:
    """Reads the stops that bring a card of known reflectance to its scene-linear value.

    Sigma is the standard error of the card's level in the picture (`patches.measure`); over
    several frames it falls with their number, unless they scatter by more than it explains: then
    it is their standard deviation. The card's own tolerance is not noise and does not stand in
    it; the evidence has it in stops (common grey cards: 1 % absolute, 0.08 stop).

    The balance makes the card neutral and keeps its luminance.
    """

    name = "grey_card"
    summary = "a card of known reflectance in a region of the picture"
    Params = GreyCardParams

    def read(self, plate: PlateView, params: GreyCardParams) -> Reading:
        """Stops from the card's level to its reflectance."""

        def look(frame: int) -> Level:
            return level(
                plate,
                frame,
                params.region,
                max_gradient=params.max_gradient,
                min_snr=params.min_snr,
            )

        frames = frames_to_read(plate, params.frame)
        cards = look_at(plate, frames, look)
        patches = [card.patch for card in cards]
        stops = [math.log2(params.reflectance / patch.luminance) for patch in patches]
        combined = combine(frames, stops, [patch.sigma for patch in patches])
        return Reading(
            meter=self.name,
            stops=combined.stops,
            sigma=combined.sigma,
            balance=_balance([patch.rgb for patch in patches], plate.weights),
            evidence={
                "reflectance": params.reflectance,
                "tolerance_stops": _tolerance(params),
                "scatter_stops": combined.scatter,
                "frames": [card.evidence for card in cards],
            },
            warnings=combined.warnings,
        )


def _tolerance(params: GreyCardParams) -> list[float | None]:
    """Stops that the card's tolerance may move the reading by, down and up; None without end."""
    reflectance, tolerance = params.reflectance, params.tolerance
    low = None
    if tolerance < reflectance:
        low = math.log2((reflectance - tolerance) / reflectance)
    return [low, math.log2((reflectance + tolerance) / reflectance)]


def _balance(colours: list[RGB], weights: RGB) -> RGB | None:
    """The neutral balance of the frames' mean colour; None where a channel has no light."""
    if min(map(min, colours)) <= 0.0:
        return None
    red, green, blue = np.exp(np.mean(np.log(colours), axis=0))
    mean = (float(red), float(green), float(blue))
    return neutral(mean, float(np.dot(mean, weights)))

"""Meter: the pull that brings the brightest light of a plate to a tone."""

from __future__ import annotations

import math

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.model.record import Reading
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import PlateView

__all__ = ["TopLight", "TopLightParams"]

_MOST = 5
"""Frames that tell how the light of a shot changes."""


class TopLightParams(BaseModel):
    """Parameters of the meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    tone: float = Field(2.5, description="Where the light is brought to, in stops from grey")
    share: float = Field(
        0.01, gt=0.0, le=0.5, description="Share of the pixels that may be brighter, 0..0.5"
    )
    frame: int | None = Field(None, description="Frame to read; up to five when left out")


class TopLight:
    """Reads a high percentile of luminance: weak, as scenes differ in what is bright in them.

    Sigma is the spread over the frames, and half a stop at the least: a guess of what scenes do.
    """

    api = 1
    name = "top_light"
    summary = "the brightest light of the picture to a tone; weak"
    Params = TopLightParams

    def read(self, plate: PlateView, params: TopLightParams) -> Reading:
        """Stops from the light to the tone."""
        frames = plate.sample(_MOST) if params.frame is None else [params.frame]
        tones = plate.each(frames, lambda frame: _tone(plate, frame, params.share))
        return Reading(
            meter=self.name,
            stops=params.tone - float(np.mean(tones)),
            sigma=max(0.5, float(np.std(tones))),
            weak=True,
            evidence={"frames": [int(frame) for frame in frames], "tones": tones},
            warnings=("what is bright differs from scene to scene",),
        )


def _tone(plate: PlateView, frame: int, share: float) -> float:
    luminance = plate.pixels(frame).reshape(-1, 3).astype(np.float64) @ np.asarray(plate.weights)
    top = float(np.quantile(luminance, 1.0 - share))
    if top <= 0.0:
        raise ValueError(f"frame {frame} has no light in it")
    return math.log2(top / GREY)

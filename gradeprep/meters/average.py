"""Meter: the log average of the whole picture. Weak by nature: a scene need not average grey."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.clips.clipped import Clipped
from gradeprep.meters.overshot import combine, frames_to_read, look_at
from gradeprep.meters.region import Region
from gradeprep.model.record import Reading
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import PlateView

__all__ = ["Average", "AverageParams"]

_BANDS = 16
_WEAK = (
    "an average says what is in the picture as much as how it is exposed; take a grey card, a "
    "chart or a reference shot where there is one"
)


class AverageParams(BaseModel):
    """Parameters of the average meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    key: float = Field(
        GREY, gt=0.0, description="Scene-linear luminance that the average is brought to"
    )
    region: Region | None = Field(
        None,
        description="x, y, width, height of the part to average, in pixels of the display window "
        "or fractions; all of the frame when left out",
    )
    frame: int | None = Field(
        None, description="Frame to read; up to five over the shot when left out"
    )


class Average:
    """Reads the stops that bring the log-average luminance to a key.

    ``exp(mean(log L))`` to 0.18 ("Photographic Tone Reproduction for Digital Images", SIGGRAPH
    2002, which adds a small delta to L). Without delta the reading moves by exactly n
    stops with the plate; luminance at or under zero has no logarithm, so such pixels are left
    out and counted, which reads a noisy black a little bright. Clipped pixels count as they are
    recorded.

    Sigma is the standard error over 16 bands of the picture: how much the number owes to what is
    in it. It does not know whether the scene averages grey, and the reading is always weak.
    """

    name = "average"
    summary = "log average of the picture to a key; weak"
    Params = AverageParams

    def read(self, plate: PlateView, params: AverageParams) -> Reading:
        """Stops from the log average to the key."""
        frames = frames_to_read(plate, params.frame)
        found = look_at(plate, frames, lambda frame: _mean(plate, frame, params.region))
        stops = [math.log2(params.key) - each.log2 for each in found]
        combined = combine(frames, stops, [each.sigma for each in found])
        return Reading(
            meter=self.name,
            stops=combined.stops,
            sigma=max(combined.sigma, *(each.sigma for each in found)),
            weak=True,
            evidence={
                "key": params.key,
                "scatter_stops": combined.scatter,
                "frames": [each.evidence for each in found],
            },
            warnings=(_WEAK, *combined.warnings),
        )


@dataclass(frozen=True, slots=True)
class _Mean:
    log2: float
    sigma: float
    evidence: dict[str, Any]


def _mean(plate: PlateView, frame: int, region: Region | None) -> _Mean:
    pixels = plate.pixels(frame) if region is None else plate.region(frame, region)
    luminance = (pixels.reshape(-1, 3).astype(np.float64)) @ np.asarray(plate.weights)
    lit = luminance > 0.0
    count = int(np.count_nonzero(lit))
    if 2 * count < luminance.size:
        raise ValueError(
            f"only {count} of {luminance.size} pixels have a luminance above zero, under a half; "
            "an average of the rest says nothing"
        )
    logs = np.log2(luminance[lit])
    bands = [float(band.mean()) for band in np.array_split(logs, min(_BANDS, count))]
    clips = Clipped.of(plate, frame)
    clipped = (clips.whole() if region is None else clips.region(region)).any(axis=2)
    mean = float(logs.mean())
    evidence = {
        "frame": frame,
        "log_average": gain(mean),
        "pixels": luminance.size,
        "left_out": luminance.size - count,
        "clipped": int(np.count_nonzero(clipped)),
    }
    return _Mean(mean, float(np.std(bands)) / math.sqrt(len(bands)), evidence)

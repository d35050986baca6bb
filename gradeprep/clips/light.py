"""Linear light of recorded samples, channel by channel, in the plate's own primaries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Pixels, Scale

__all__ = ["Curve"]

_POINTS = 4096
_HALF = 2.0**-10.5
"""Relative distance of two half floats (IEEE 754 binary16), in the middle of a binade."""

_DARKEST = -24.0
"""Tone that stands for no light."""


@dataclass(frozen=True, slots=True)
class Curve:
    """The curve of a plate as a table; a channel is linear after it, whatever its primaries.

    Attributes:
        recorded: Recorded values, rising; empty where recorded values are linear.
        light: Linear light of each.
        code: Distance of two codes as recorded; 0 for floats.
    """

    recorded: npt.NDArray[np.float64]
    light: npt.NDArray[np.float64]
    code: float

    @classmethod
    def of(cls, scale: Scale) -> Curve:
        """The curve of a plate's encoding."""
        if not scale.log and not scale.step:
            return cls(np.zeros(0), np.zeros(0), 0.0)
        low, high = (-0.5, 1.5) if scale.log else (0.0, 1.0)
        recorded = np.linspace(low, high, _POINTS + 1)
        tones = np.maximum.accumulate(np.maximum(scale.tone(recorded), _DARKEST))
        return cls(recorded, GREY * np.exp2(tones), scale.step)

    def __call__(self, recorded: Pixels) -> Pixels:
        """Linear light of samples, 0.18 for grey; float32 of the same shape."""
        if not self.recorded.size:
            return recorded
        first, last = self.recorded[[0, -1]]
        place = (recorded - np.float32(first)) * np.float32(_POINTS / (last - first))
        place = np.clip(place, 0.0, _POINTS - 1e-3)
        below = place.astype(np.int32)
        share = place - below
        table = self.light.astype(np.float32)
        under = np.take(table, below)
        return np.asarray(under + share * (np.take(table, below + 1) - under), np.float32)

    def step(self, light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Light from one code to the next around a light; that of halves where there are none."""
        if not self.code:
            return np.asarray(np.maximum(light, 0.0) * _HALF)
        slope = np.gradient(self.light, self.recorded)
        return np.asarray(np.interp(light, self.light, slope) * self.code)

    def back(self, light: float) -> float:
        """The recorded value of a light."""
        if not self.recorded.size:
            return light
        return float(np.interp(light, self.light, self.recorded))

"""Plates whose noise is known: a sensor's model exposes invented light, and nothing is decoded."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from gradeprep.demo.sensor import Sensor
from gradeprep.model.framerange import FrameRange
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import Scale

__all__ = ["AP1", "GREEN", "LINEAR", "Simulated", "expose", "patches", "true_db"]

AP1 = (0.2722287168, 0.6740817658, 0.0536895174)  # Academy S-2014-004
GREEN = 1


def _tone(values):
    with np.errstate(divide="ignore"):
        return np.log2(np.maximum(np.asarray(values, np.float64), 0.0) / GREY)


LINEAR = Scale(ceiling=None, step=0.0, log=False, tone=_tone)


def _copy(pixels):
    return pixels.copy()


@dataclass
class Simulated:
    """A plate view over scene-linear arrays; stages and the result's rounding are functions."""

    pictures: Mapping[int, np.ndarray]
    shot: str = "plate"
    scale: Scale = LINEAR
    weights: tuple[float, float, float] = AP1
    decided: float = 0.0
    stages: Callable[[np.ndarray], np.ndarray] | None = None
    store: Callable[[np.ndarray], np.ndarray] = _copy
    asked: list[int] = field(default_factory=list)

    @property
    def frames(self):
        return FrameRange.of(self.pictures)

    def sample(self, most):
        numbers = tuple(self.frames)
        if len(numbers) <= most:
            return self.frames
        places = np.linspace(0, len(numbers) - 1, max(most, 2)).round().astype(int)
        return FrameRange.of(numbers[place] for place in places)

    def each(self, frames, look):
        return [look(frame) for frame in frames]

    def exposure(self, frame):
        return self.decided

    def pixels(self, frame):
        self.asked.append(frame)
        return self.pictures[frame]

    def recorded(self, frame):
        return self.pictures[frame]

    def normalized(self, frame):
        pixels = self.pictures[frame].copy()
        if self.stages is not None:
            return self.stages(pixels)
        return pixels * np.float32(gain(self.decided))

    def written(self, frame):
        return self.store(self.normalized(frame))


def patches(low, high, *, columns=24, rows=256, per_stop=3):
    """Grey patches side by side, from one tone to another, a third of a stop apart."""
    count = round((high - low) * per_stop) + 1
    row = np.repeat(GREY * np.exp2(np.linspace(low, high, count)), columns)
    return np.broadcast_to(row[None, :, None], (rows, row.size, 3)).astype(np.float32)


def expose(scene, frames=range(1, 5), *, sensor=None, stops=0.0, seed=7, **told):
    """The frames of a locked-off shot of one scene."""
    sensor = sensor or Sensor()
    pictures = {n: sensor.expose(scene, stops=stops, seed=[seed, n]) for n in frames}
    return Simulated(pictures, **told)


def true_db(level, channel, sensor=None):
    """Signal to noise in dB of a channel at a recorded level (EMVA Standard 1288)."""
    sensor = sensor or Sensor()
    return 20.0 * np.log10(sensor.snr(level * sensor.electrons_per_unit[channel]))

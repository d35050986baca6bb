"""What light buys: signal to noise ratio by the linear camera model of EMVA Standard 1288."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gradeprep.model.documents.headroom import NoiseGain, ToneNoise, Usable
from gradeprep.model.stops import gain, stops_from
from gradeprep.photometry import ACCEPTABLE, EXCELLENT

__all__ = ["SensorModel", "noise"]

_DARKEST = -8
"""Darkest tone that a table shows, in stops from grey."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorModel:
    """A photosite: shot noise and read-out noise. Fixed pattern noise is not in it.

    Attributes:
        full_well: Electrons at the clip.
        read_noise: Standard deviation of the read-out in electrons, rounding included.

    Raises:
        ValueError: The full well is not above zero, or the read noise is negative.
    """

    full_well: float
    read_noise: float

    def __post_init__(self) -> None:
        if not (self.full_well > 0.0 and math.isfinite(self.full_well)):
            raise ValueError(f"a full well must be above zero electrons, not {self.full_well:g}")
        if not (self.read_noise >= 0.0 and math.isfinite(self.read_noise)):
            raise ValueError(f"read noise must be zero electrons or more, not {self.read_noise:g}")

    def snr(self, electrons: float) -> float:
        """Signal to noise ratio of a flat patch: ``mu / sqrt(mu + read_noise**2)`` (EMVA 1288).

        >>> round(SensorModel(full_well=30000, read_noise=3).snr(100), 3)
        9.578
        """
        return electrons / math.sqrt(electrons + self.read_noise**2)

    def electrons(self, snr: float) -> float:
        """Electrons at which a signal to noise ratio is reached: the root of `snr`.

        >>> round(SensorModel(full_well=30000, read_noise=3).electrons(1), 4)
        3.5414
        """
        half = snr**2 / 2.0
        return half + math.sqrt(half**2 + (snr * self.read_noise) ** 2)

    def grey(self, clip: float) -> float:
        """Electrons of grey, where the full well is ``clip`` stops above it."""
        return self.full_well / gain(clip)

    def darkest(self, snr: float, *, clip: float) -> float:
        """The darkest tone that reaches a signal to noise ratio, in stops from grey."""
        return stops_from(self.electrons(snr) / self.grey(clip))


def noise(sensor: SensorModel, *, clip: float, hot: float, how: str) -> NoiseGain:
    """Signal to noise per tone, and the darkest usable tones, at normal exposure and hot.

    Pulling back scales signal and noise alike, so the ratio of the hot recording stays.

    Args:
        sensor: The sensor.
        clip: Stops from grey to clip at normal exposure.
        hot: Stops of more light.
        how: Where the sensor's numbers come from.
    """
    grey = sensor.grey(clip)

    def limited(tone: float, stops: float) -> float | None:
        return sensor.snr(grey * gain(tone + stops)) if tone + stops <= clip else None

    tones = tuple(
        ToneNoise(
            tone=tone,
            electrons=grey * gain(tone),
            normal=limited(tone, 0.0),
            hot=limited(tone, hot),
        )
        for tone in range(math.floor(clip), _DARKEST - 1, -1)
    )
    usable = tuple(
        Usable(
            ratio=ratio,
            normal=sensor.darkest(ratio, clip=clip),
            hot=sensor.darkest(ratio, clip=clip) - hot,
        )
        for ratio in (ACCEPTABLE, EXCELLENT)
    )
    return NoiseGain(
        full_well=sensor.full_well,
        read_noise=sensor.read_noise,
        grey=grey,
        how=how,
        tones=tones,
        usable=usable,
    )

"""Noise as a function of tone: third-stop bins, curves through them, and where they are clean.

A tone is in stops from grey. Signal to noise ratios are in decibels,
``20 * log10(snr)``, as EMVA Standard 1288 does. A shadow is called clean where its signal is 10
times its noise, and excellent where it is 40 times: the two criteria of ISO 12232 for noise-based
speeds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import GREY, tone

__all__ = [
    "PER_STOP",
    "Clean",
    "NoiseBin",
    "NoiseCurve",
    "bin_of",
    "decibels",
]

PER_STOP = 3
"""Bins a stop."""

_WIDEST_GAP = 1.0
"""Between measured tones farther apart than this, in stops, a curve says nothing."""


def decibels(ratio: float) -> float:
    """A ratio of amplitudes above zero in dB: ``20 * log10(ratio)``.

    >>> decibels(10.0)
    20.0
    """
    return 20.0 * math.log10(ratio)


def bin_of(levels: npt.NDArray[np.floating]) -> npt.NDArray[np.int64]:
    """Third-stop bin of scene-linear levels above zero; bin 0 has grey in its middle.

    >>> bin_of(np.array([0.18, 0.36, 0.09])).tolist()
    [0, 3, -3]
    """
    tones = np.log2(np.asarray(levels, np.float64) / GREY)
    return np.asarray(np.rint(tones * PER_STOP), np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseBin:
    """The noise at one tone.

    Attributes:
        level: Mean scene-linear value of what was measured; above 0.
        sigma: Standard deviation of the noise, scene-linear; above 0.
        uncertainty: One standard deviation of ``db``, in dB.
        samples: Number of samples it rests on.
        method: ``temporal`` (the difference of two frames) or ``spatial`` (a high-pass).
    """

    level: float
    sigma: float
    uncertainty: float
    samples: int
    method: str

    @property
    def tone(self) -> float:
        """Where it lies, in stops from grey: the level measured, not the middle of the bin."""
        return tone(self.level)

    @property
    def snr(self) -> float:
        """Signal to noise ratio."""
        return self.level / self.sigma

    @property
    def db(self) -> float:
        """Signal to noise ratio in dB."""
        return decibels(self.snr)


@dataclass(frozen=True, slots=True)
class Clean:
    """The darkest tone that reaches a signal to noise ratio.

    Attributes:
        ratio: The ratio.
        tone: The tone, in stops from grey; None where no measured tone reaches it.
        open: True when the picture holds nothing darker to measure: it may be clean below, too.
    """

    ratio: float
    tone: float | None
    open: bool

    def __str__(self) -> str:
        if self.tone is None:
            return f"nowhere {self.ratio:g}:1"
        least = "at least " if self.open else ""
        return f"{self.ratio:g}:1 {least}down to {round(self.tone, 1) + 0.0:+.1f} stops"

    def numbers(self) -> dict[str, float | bool | None]:
        """It as plain data."""
        return {"tone": None if self.tone is None else round(self.tone, 4), "open": self.open}


@dataclass(frozen=True, slots=True)
class NoiseCurve:
    """The noise of one signal: luminance or a channel.

    Attributes:
        name: ``luminance``, ``R``, ``G`` or ``B``.
        bins: Darkest first.
    """

    name: str
    bins: tuple[NoiseBin, ...]

    def between(self, tone: float) -> tuple[NoiseBin, NoiseBin, float] | None:
        """The bins a tone lies between, and how far from the first to the second it is (0..1).

        None outside the measured tones, and in a gap of more than a stop between them.
        """
        for low, high in zip(self.bins, self.bins[1:], strict=False):
            if low.tone <= tone <= high.tone and low.tone < high.tone:
                width = high.tone - low.tone
                return (low, high, (tone - low.tone) / width) if width <= _WIDEST_GAP else None
        return None

    def db_at(self, tone: float) -> tuple[float, float] | None:
        """Signal to noise in dB at a tone, and its uncertainty in dB; linear between bins."""
        found = self.between(tone)
        if found is None:
            return None
        low, high, share = found
        db = low.db + share * (high.db - low.db)
        return db, math.hypot((1.0 - share) * low.uncertainty, share * high.uncertainty)

    def sigma_at(self, tone: float) -> float | None:
        """Standard deviation of the noise at a tone, scene-linear; geometric between bins."""
        found = self.between(tone)
        if found is None:
            return None
        low, high, share = found
        return float(low.sigma ** (1.0 - share) * high.sigma**share)

    def clean(self, ratio: float) -> Clean:
        """The darkest tone at which signal to noise reaches a ratio."""
        wanted = decibels(ratio)
        for index, here in enumerate(self.bins):
            if here.db < wanted:
                continue
            if index == 0:
                return Clean(ratio, here.tone, True)
            below = self.bins[index - 1]
            share = (wanted - below.db) / (here.db - below.db)
            return Clean(ratio, below.tone + share * (here.tone - below.tone), False)
        return Clean(ratio, None, False)

    def numbers(self) -> dict[str, list[float] | list[int] | list[str]]:
        """It as plain data, one list a column, darkest tone first; every number finite."""
        return {
            "tone": [round(one.tone, 3) for one in self.bins],
            "sigma": [float(f"{one.sigma:.4g}") for one in self.bins],
            "snr": [float(f"{one.snr:.4g}") for one in self.bins],
            "uncertainty_db": [round(one.uncertainty, 3) for one in self.bins],
            "samples": [one.samples for one in self.bins],
            "method": [one.method for one in self.bins],
        }

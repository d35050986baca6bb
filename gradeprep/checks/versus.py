"""A hot plate against a normal one of the same scene: what the exposure bought, and what it cost.

Both plates are brought to one exposure, that of the normal one after its own decision, and
compared tone by tone there. What a hotter exposure must buy is known: ``sqrt(2)`` in signal over
noise for each stop where shot noise rules (+3.01 dB), 2 where read noise does (+6.02 dB); EMVA
Standard 1288, linear camera model. What it costs is room above grey, stop for stop.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from gradeprep.checks.blocks import tiles
from gradeprep.checks.ends import at_an_end, first_clip
from gradeprep.checks.noisetable import NoiseTable, measure_noise
from gradeprep.checks.tones import PER_STOP, Clean, NoiseCurve
from gradeprep.model.stops import GREY, gain
from gradeprep.photometry import ACCEPTABLE, EXCELLENT
from gradeprep.plugins.contracts import PlateView

__all__ = ["Gain", "Hotter", "Range", "Shift", "Versus", "compare", "hotter"]

_SAME = 0.5
"""Stops that half of the blocks may stray from the ratio of two plates of the same picture."""

_DIM = -4.0
"""Tone, in stops from grey, below which a block of either plate says little of their ratio."""

_LEAST = 16

_MAD_TO_SIGMA = 1.482602219
"""Normal distribution: 1 / Phi^-1(3/4)."""

_MEDIAN_TO_MEAN = math.sqrt(math.pi / 2.0)
"""Standard error of a median over that of a mean, for a normal distribution."""


@dataclass(frozen=True, slots=True)
class Hotter:
    """By how many stops one plate is hotter than another.

    Attributes:
        stops: The stops.
        sigma: One standard deviation of them; 0 where they were not measured.
        source: ``stated``, ``decided`` (by both shots' own exposure), or ``measured``.
    """

    stops: float
    sigma: float
    source: Literal["stated", "decided", "measured"]


@dataclass(frozen=True, slots=True)
class Gain:
    """Signal over noise of both plates at one tone.

    Attributes:
        tone: Stops from grey, at the one exposure both were brought to.
        normal: Signal over noise of the normal plate, in dB.
        hot: That of the hot plate, in dB.
        uncertainty: One standard deviation of ``db``, in dB.
    """

    tone: float
    normal: float
    hot: float
    uncertainty: float

    @property
    def db(self) -> float:
        """What the hot plate gained, in dB."""
        return self.hot - self.normal


@dataclass(frozen=True, slots=True)
class Shift:
    """How far down each plate is clean, at the one exposure.

    Attributes:
        normal: The normal plate's darkest clean tone.
        hot: That of the hot plate.
    """

    normal: Clean
    hot: Clean

    @property
    def stops(self) -> float | None:
        """Stops of clean shadow that the hot plate gained; None where a plate does not show it."""
        if self.normal.tone is None or self.hot.tone is None or self.normal.open:
            return None
        return self.normal.tone - self.hot.tone

    @property
    def least(self) -> bool:
        """Whether the gain is at least that, the hot plate holding nothing darker to measure."""
        return self.stops is not None and self.hot.open


@dataclass(frozen=True, slots=True)
class Range:
    """What one plate spans around grey, at the one exposure.

    Attributes:
        above: Stops from grey up to where its first channel clips; None where it has no end.
        end: ``plateau`` (samples are seen to clip there), ``ceiling`` (the encoding holds no
            more), or None.
        below: Stops from grey down to a signal of 10 times the noise; None where nothing is.
        open: Whether it may be clean below that, too.
    """

    above: float | None
    end: Literal["plateau", "ceiling"] | None
    below: float | None
    open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Versus:
    """A hot plate against a normal one.

    Attributes:
        hotter: How much hotter it is, and how that is known.
        gains: Signal over noise of luminance, a third of a stop apart, where both plates show it.
        acceptable: The shift of the tone where signal is 10 times noise (ISO 12232).
        excellent: The shift of the tone where it is 40 times.
        normal: What the normal plate spans.
        hot: What the hot plate spans.
        tables: Noise of the normal and the hot plate, each on its own recorded scale.
    """

    hotter: Hotter
    gains: tuple[Gain, ...]
    acceptable: Shift
    excellent: Shift
    normal: Range
    hot: Range
    tables: tuple[NoiseTable, NoiseTable]


def compare(
    normal: PlateView, hot: PlateView, *, stops: float | None = None, pairs: int = 3
) -> Versus:
    """Compare a hot plate with a normal one of the same scene.

    Args:
        normal: The plate at normal exposure.
        hot: The plate exposed hot.
        stops: How much hotter it is; see `hotter` where it is left out.
        pairs: Pairs of frames to measure the noise of each plate from.

    Raises:
        ValueError: The plates' exposures cannot be distinguished; with the numbers.
    """
    apart = hotter(normal, hot, stops=stops)
    to_one = normal.exposure(normal.frames.first)
    shifts = (to_one, to_one - apart.stops)
    plates = (normal, hot)
    tables = tuple(measure_noise(plate, plate.sample(pairs)) for plate in plates)
    curves = tuple(table.luminance for table in tables)
    clean = [
        Shift(*(_moved(c.clean(ratio), by) for c, by in zip(curves, shifts, strict=True)))
        for ratio in (ACCEPTABLE, EXCELLENT)
    ]
    downs = (clean[0].normal, clean[0].hot)
    ranges = [_range(*each) for each in zip(plates, shifts, downs, strict=True)]
    return Versus(
        hotter=apart,
        gains=tuple(_gains(curves[0], curves[1], shifts)),
        acceptable=clean[0],
        excellent=clean[1],
        normal=ranges[0],
        hot=ranges[1],
        tables=(tables[0], tables[1]),
    )


def hotter(normal: PlateView, hot: PlateView, *, stops: float | None = None) -> Hotter:
    """By how many stops the hot plate is hotter.

    Stated stops win; then what the recipe decided for both shots, unless it is the same for
    both; then the median ratio of their first frames' blocks, the picture being the same.

    Args:
        normal: The plate at normal exposure.
        hot: The plate exposed hot.
        stops: The stops, if they are known.

    Raises:
        ValueError: The first frames are not the same picture; with the numbers.
    """
    if stops is not None:
        return Hotter(stops, 0.0, "stated")
    decided = normal.exposure(normal.frames.first) - hot.exposure(hot.frames.first)
    if decided != 0.0:
        return Hotter(decided, 0.0, "decided")
    one, two = _light(normal), _light(hot)
    if one.size != two.size:
        raise ValueError(
            f"the frames of {normal.shot} and {hot.shot} differ in size, so that their exposures "
            "cannot be compared; state how many stops hotter one is"
        )
    usable = np.minimum(one, two) > GREY * gain(_DIM)
    found = np.log2(two[usable] / one[usable])
    if found.size < _LEAST:
        raise ValueError(
            f"only {found.size} blocks of {normal.shot} and {hot.shot} are lit and unclipped in "
            "both; state how many stops hotter one is"
        )
    middle = float(np.median(found))
    stray = float(np.median(np.abs(found - middle)))
    if stray > _SAME:
        raise ValueError(
            f"{normal.shot} and {hot.shot} do not show the same picture: half of their blocks "
            f"stray more than {stray:.2f} stops from a ratio of {middle:+.2f}; state how many "
            "stops hotter one is"
        )
    error = stray * _MAD_TO_SIGMA * _MEDIAN_TO_MEAN / math.sqrt(found.size)
    return Hotter(middle, error, "measured")


def _light(plate: PlateView) -> npt.NDArray[np.float64]:
    """Luminance of each block of a plate's first frame; 0 where it clips."""
    frame = plate.frames.first
    luminance = plate.pixels(frame) @ np.asarray(plate.weights, np.float32)
    light = tiles(luminance).mean(axis=(1, 2), dtype=np.float64)
    clipped = tiles(at_an_end(plate.recorded(frame), plate.scale.ceiling)).any(axis=(1, 2))
    return np.where(clipped, 0.0, np.maximum(light, 0.0))


def _moved(clean: Clean, stops: float) -> Clean:
    return Clean(clean.ratio, None if clean.tone is None else clean.tone + stops, clean.open)


def _gains(normal: NoiseCurve, hot: NoiseCurve, shifts: tuple[float, float]) -> Iterator[Gain]:
    """Both curves a third of a stop apart, at the one exposure."""
    if not normal.bins or not hot.bins:
        return
    low = max(curve.bins[0].tone + by for curve, by in zip((normal, hot), shifts, strict=True))
    high = min(curve.bins[-1].tone + by for curve, by in zip((normal, hot), shifts, strict=True))
    for third in range(math.ceil(low * PER_STOP), math.floor(high * PER_STOP) + 1):
        tone = third / PER_STOP
        one, two = normal.db_at(tone - shifts[0]), hot.db_at(tone - shifts[1])
        if one is not None and two is not None:
            yield Gain(tone, one[0], two[0], math.hypot(one[1], two[1]))


def _range(plate: PlateView, shift: float, clean: Clean) -> Range:
    end, above = _end(plate)
    return Range(
        above=None if above is None else above + shift,
        end=end,
        below=None if clean.tone is None else -clean.tone,
        open=clean.open,
    )


def _end(plate: PlateView) -> tuple[Literal["plateau", "ceiling"] | None, float | None]:
    """The recorded tone at which the first channel clips, seen or by the encoding."""
    clip, ceiling = first_clip(plate, plate.sample(2)), plate.scale.ceiling
    value = ceiling if clip is None else clip
    if value is None:
        return None, None
    above = float(plate.scale.tone(np.asarray([value]))[0])
    if not math.isfinite(above):
        return None, None
    return "ceiling" if value == ceiling else "plateau", above

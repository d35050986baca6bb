"""Full well and read noise of a camera, from two frames of a plate that holds many tones.

The photon-transfer method of EMVA Standard 1288: shot noise has the variance of the electrons it
comes from, so the variance of recorded values grows in a straight line with their mean. Its
slope gives the electrons behind a value, its start the read-out's noise. Variance comes from the
difference of two frames, block by block, where the picture holds still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.checks.blocks import BLOCK, Blocks, still, tiles
from gradeprep.model.stops import GREY, gain, stops_from
from gradeprep.onset.encoding import Curve
from gradeprep.onset.sensor import SensorModel
from gradeprep.plugins.contracts import PlateView

__all__ = ["Transfer", "photon_transfer"]

Values = npt.NDArray[np.float64]

_UP_TO = 0.7
"""Share of the saturation that the line is drawn through (EMVA Standard 1288;
`index_sensitivity_max` of its reference code, EMVA1288/emva1288, results.py)."""

_SPAN = 4.0
"""Least span of tones, in stops, that separates slope and start."""

_LEAST = 200
"""Fewest blocks for a line: the error of its slope stays near a percent."""

_SCATTER = math.sqrt(2.0 / BLOCK**2)
"""Standard deviation of a block's variance, as its share (normal distribution)."""

_STRAYS = (8.0, 4.0, 2.0, *[3.0 * _SCATTER] * 8)
"""Blocks farther from the line than this share of it are left out, fit after fit: what moved."""

_SURE = 5.0
"""Standard errors that the line's start must lie above zero: then read noise is sure to 10 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """What the line gives.

    Attributes:
        sensor: Full well and read noise.
        channel: ``R``, ``G`` or ``B``: the one that collects most electrons.
        frames: The two frames.
        blocks: Blocks of 64 samples that the line goes through.
        full_well_sigma: One standard deviation of the full well, in electrons, by the scatter
            of the blocks alone; an error of the clip is not in it.
        read_noise_sigma: The same for the read noise.
    """

    sensor: SensorModel
    channel: str
    frames: tuple[int, int]
    blocks: int
    full_well_sigma: float
    read_noise_sigma: float

    @property
    def how(self) -> str:
        """Where the numbers come from, in words."""
        first, second = self.frames
        return (
            f"photon transfer, {self.channel} of frames {first} and {second}: full well "
            f"+-{self.full_well_sigma:.0f}, read noise +-{self.read_noise_sigma:.2f} e-"
        )


@dataclass(frozen=True, slots=True)
class _Line:
    """Variance = slope x level + start, with the covariance of the two."""

    slope: float
    start: float
    slope_sigma: float
    start_sigma: float
    blocks: int


def photon_transfer(plate: PlateView, *, clip: float) -> Transfer:
    """Measure a camera from the first two frames of a plate.

    The plate must come from the camera's own recording: scaling, denoising or compression
    lessens the noise, and the camera then seems to hold more electrons than it does.

    Args:
        plate: A shot that holds still, with tones from near black up; scene-linear or log.
        clip: Stops above grey at which the camera clips.

    Raises:
        ValueError: The plate has one frame, its frames are the same, or it does not give the
            two numbers: too little holds still, too few tones, no darks.
    """
    if len(plate.frames) < 2:
        raise ValueError("photon transfer needs two frames, and the plate has one")
    first, second = tuple(plate.frames)[:2]
    curve = Curve(plate.scale, half=_is_half(plate, first))
    one, two = (curve.light(plate.recorded(frame)) for frame in (first, second))
    if one.shape != two.shape:
        raise ValueError(f"frames {first} and {second} are not of one size")
    top = GREY * gain(clip)
    lines = {
        name: _line(one[..., number], two[..., number], curve, top)
        for number, name in enumerate("RGB")
    }
    channel, line = min(lines.items(), key=lambda each: each[1].slope)
    if line.start < _SURE * line.start_sigma:
        raise ValueError(
            "no area of the plate is dark enough to separate read noise from shot noise; "
            "take one with tones down to black"
        )
    read_noise = math.sqrt(line.start) / line.slope
    sensor = SensorModel(full_well=top / line.slope, read_noise=read_noise)
    slope_error = line.slope_sigma / line.slope
    return Transfer(
        sensor=sensor,
        channel=channel,
        frames=(first, second),
        blocks=line.blocks,
        full_well_sigma=sensor.full_well * slope_error,
        read_noise_sigma=read_noise * math.hypot(line.start_sigma / line.start / 2, slope_error),
    )


def _is_half(plate: PlateView, frame: int) -> bool:
    kinds = (part.channels.items() for part in plate.layout(frame).parts)
    return any(kind == "half" and name[-1:] in "RGB" for items in kinds for name, kind in items)


def _line(
    one: npt.NDArray[np.float32],
    two: npt.NDArray[np.float32],
    curve: Curve,
    top: float,
) -> _Line:
    """The line of one channel, through the blocks that hold still."""
    one, two = np.ascontiguousarray(one), np.ascontiguousarray(two)
    high = np.maximum(tiles(one).max(axis=(1, 2)), tiles(two).max(axis=(1, 2)))
    found = still(one, two, np.asarray(high < top))
    if found is None:
        raise ValueError("the two frames are the same, so there is no noise to read")
    return _fitted(found, curve, top)


def _fitted(found: Blocks, curve: Curve, top: float) -> _Line:
    low = found.level <= _UP_TO * top
    level, variance = found.level[low], found.variance[low]
    if level.size < _LEAST:
        raise ValueError(f"only {level.size} blocks of the plate hold still; it needs {_LEAST}")
    darkest, brightest = np.quantile(level, (0.01, 0.99))
    span = stops_from(float(brightest / darkest))
    if span < _SPAN:
        raise ValueError(f"the plate spans {span:.1f} stops of tone; it needs {_SPAN:g} or more")
    return _fit(level, variance - curve.rounding(level))


def _fit(level: Values, variance: Values) -> _Line:
    """Weighted least squares: a variance scatters in proportion to itself, so the line weighs.

    Raises:
        ValueError: Variance does not grow with level.
    """
    design = np.column_stack([level, np.ones_like(level)])
    bright = level >= np.median(level)
    slope = float(np.median(variance[bright] / level[bright]))
    model = np.maximum(slope * level, np.median(variance[level <= np.quantile(level, 0.02)]))
    for stray in _STRAYS:
        keep = np.abs(variance / model - 1.0) <= stray
        if keep.sum() < _LEAST:
            raise ValueError("too little of the plate holds still between its first two frames")
        weighted = design[keep] / model[keep, None]
        values = variance[keep] / model[keep]
        (slope, start), *_ = np.linalg.lstsq(weighted, values, rcond=None)
        if not slope > 0.0:
            raise ValueError("the noise does not grow with the light, as a sensor's does")
        model = slope * level + max(start, 0.0)
    scatter = float(np.mean(np.square(values - 1.0)))
    covariance = np.linalg.inv(weighted.T @ weighted) * scatter
    errors = np.sqrt(np.diag(covariance))
    return _Line(float(slope), float(start), float(errors[0]), float(errors[1]), int(keep.sum()))

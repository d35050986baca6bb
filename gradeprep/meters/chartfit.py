"""The gain of a chart: its neutral patches in a frame against their reflectances."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.clips.clipped import Clipped
from gradeprep.meters.grid import ROWS, Grid
from gradeprep.meters.neutrals import NAMES, REFLECTANCES, Batch, explain
from gradeprep.meters.patches import RGB, Patch, measure, pieces_of
from gradeprep.meters.region import MOST_CLIPPED, refuse_small
from gradeprep.meters.robust import location, spread, weights_around
from gradeprep.plugins.contracts import PlateView

__all__ = ["Fit", "Sheet", "fit", "looks_like_a_chart"]

_LEAST = 3


@dataclass(frozen=True, slots=True)
class Sheet:
    """A frame with a chart in it.

    Attributes:
        plate: The plate.
        frame: Frame number.
        clips: Which of its samples are clipped.
    """

    plate: PlateView
    frame: int
    clips: Clipped

    @classmethod
    def of(cls, plate: PlateView, frame: int) -> Sheet:
        """A frame of a plate."""
        return cls(plate, frame, Clipped.of(plate, frame))

    def patch(self, grid: Grid, row: int, column: int) -> Patch:
        """The light of one patch; rows and columns count from dark skin.

        Raises:
            ValueError: Outside the picture, or too small.
        """
        cut = grid.cut(row, column)
        refuse_small(int(np.count_nonzero(cut.inside)), "chart patch")
        return measure(
            self.plate.region(self.frame, cut.box)[cut.inside],
            self.plate.region_recorded(self.frame, cut.box)[cut.inside],
            pieces=pieces_of(*cut.inside.shape)[cut.inside],
            weights=self.plate.weights,
            scale=self.plate.scale,
            clipped=self.clips.region(cut.box, cut.inside)[cut.inside],
        )


@dataclass(frozen=True, slots=True)
class Fit:
    """The gain that brings one frame's neutrals to their reflectances.

    Attributes:
        stops: The gain, in stops.
        sigma: One standard deviation of it, in stops.
        systematic: The part of sigma that comes of the residuals, which all frames share.
        colour: Mean ratio of each channel to luminance; None where one has no light.
        evidence: Residuals, luminance and pixels of each patch.
        warnings: What was left out, and what the residuals look like.
    """

    stops: float
    sigma: float
    systematic: float
    colour: RGB | None
    evidence: dict[str, Any]
    warnings: tuple[str, ...]


def fit(sheet: Sheet, grid: Grid, batch: Batch) -> Fit:
    """Fit one gain, robustly, over the patches that are lit and not clipped.

    Args:
        sheet: The frame.
        grid: Where the chart stands, in pixels of the display window.
        batch: Which published reflectances.

    Raises:
        ValueError: Outside the picture, too small, no chart, or too few patches to read.
    """
    patches = [sheet.patch(grid, ROWS - 1, column) for column in range(len(NAMES))]
    clipped = [max(p.clipped.values(), default=0.0) > MOST_CLIPPED for p in patches]
    used = [k for k, p in enumerate(patches) if not clipped[k] and p.luminance > 0.0]
    if len(used) < _LEAST:
        raise ValueError(
            f"only {len(used)} of the chart's {len(NAMES)} neutrals are lit and not clipped, "
            f"under {_LEAST}; read another frame"
        )
    _refuse_disorder(patches, used)
    names = [NAMES[k] for k in used]
    reflectances = np.asarray(REFLECTANCES[batch])[used]
    levels = np.asarray([patches[k].luminance for k in used])
    errors = np.asarray([patches[k].sigma for k in used])
    ratios = np.log2(levels / reflectances)
    hot = location(ratios, errors)
    residuals = ratios - hot
    weights = weights_around(ratios, errors, middle=hot, extra=spread(ratios))
    systematic = _scatter_error(residuals, weights)
    alone = float(np.sqrt(np.sum(np.square(weights * errors)))) / float(np.sum(weights))
    warnings = [f"{NAMES[k]} is clipped and left out" for k, lost in enumerate(clipped) if lost]
    cause = explain(names, reflectances, residuals)
    return Fit(
        stops=-hot,
        sigma=max(alone, systematic),
        systematic=systematic,
        colour=_colour([patches[k] for k in used], weights),
        evidence={
            "residual_stops": dict(zip(names, residuals.tolist(), strict=True)),
            "luminance": dict(zip(names, levels.tolist(), strict=True)),
            "pixels": dict(zip(names, (patches[k].pixels for k in used), strict=True)),
            "rejected": dict(zip(names, (patches[k].rejected for k in used), strict=True)),
            "left_out": [name for name in NAMES if name not in names],
        },
        warnings=(*warnings, *([cause] if cause else ())),
    )


def looks_like_a_chart(sheet: Sheet, grid: Grid) -> bool:
    """Whether blue, green and red stand where a chart has them, told against its neutrals.

    Raises:
        ValueError: Outside the picture, or too small.
    """
    row = [sheet.patch(grid, ROWS - 2, column).rgb for column in (2, 1, 0)]
    grey = sheet.patch(grid, ROWS - 1, 2).rgb
    if min(grey) <= 0.0:
        return False
    strongest = np.argmax(np.asarray(row) / np.asarray(grey), axis=1)
    return bool(np.array_equal(strongest, (0, 1, 2)))


def _refuse_disorder(patches: list[Patch], used: list[int]) -> None:
    """Whatever curve was taken for the input, neutrals fall from white to black."""
    for light, dark in pairwise(used):
        first, second = patches[light].luminance, patches[dark].luminance
        if first <= second:
            raise ValueError(
                f"there is no chart: {NAMES[dark]} reads {second:.3g}, {NAMES[light]} "
                f"{first:.3g}; give the outer corners of its patches clockwise from dark skin's"
            )


def _scatter_error(residuals: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]) -> float:
    """Standard error of the weighted mean from the residuals (sandwich, n / (n - 1))."""
    count = len(residuals)
    square = float(np.sum(np.square(weights * residuals))) * count / (count - 1)
    return math.sqrt(square) / float(np.sum(weights))


def _colour(patches: list[Patch], weights: npt.NDArray[np.float64]) -> RGB | None:
    """Mean ratio of each channel to luminance over the patches; None where one has no light."""
    ratios = np.asarray([p.rgb for p in patches]) / [[p.luminance] for p in patches]
    if ratios.min() <= 0.0:
        return None
    red, green, blue = np.exp(np.average(np.log(ratios), axis=0, weights=weights))
    return (float(red), float(green), float(blue))

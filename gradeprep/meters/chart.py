"""Meter: the neutral patches of a 24-patch colour rendition chart."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.meters.chartfit import Sheet, fit, looks_like_a_chart
from gradeprep.meters.finder import find
from gradeprep.meters.grid import Corners, Grid, in_pixels
from gradeprep.meters.neutrals import Batch
from gradeprep.meters.overshot import combine, frames_to_read, look_at
from gradeprep.meters.patches import RGB, neutral
from gradeprep.meters.region import Region
from gradeprep.model.record import Reading
from gradeprep.plugins.contracts import PlateView

__all__ = ["Chart", "ChartParams"]

Point = tuple[float, float]


class ChartParams(BaseModel):
    """Parameters of the chart meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    corners: tuple[Point, Point, Point, Point] | None = Field(
        None,
        description="x, y of the outer corners of the block of patches, clockwise from dark "
        "skin's, in pixels of the display window or fractions; looked for when left out",
    )
    search: Region = Field(
        (0.0, 0.0, 1.0, 1.0),
        description="Where to look for the chart: x, y, width, height, in pixels or fractions",
    )
    batch: Batch = Field(
        "2014",
        description="Published reflectances: 2014 (made since November 2014), 2005 (before), "
        "iso17321",
    )
    frame: int | None = Field(
        None, description="Frame to read; up to five over the shot when left out"
    )


class Chart:
    """Reads the stops that bring a chart's six neutrals to their published reflectances.

    One gain is fitted to the log ratios of the patches that are lit and not clipped, robustly
    (`robust.location`). Sigma is the larger of what the patches' own standard errors leave and
    what their residuals do. The published sets differ by up to 0.09 stop a patch; that is no
    noise and stands in the residuals only as far as the patches disagree.

    The balance makes the patches neutral, on the mean, and keeps luminance. What the residuals
    look like (clip, flare, wrong curve) is a warning.
    """

    name = "chart"
    summary = "the six neutrals of a 24-patch chart"
    Params = ChartParams

    def read(self, plate: PlateView, params: ChartParams) -> Reading:
        """Stops from the chart's level to its reflectances."""
        frames = frames_to_read(plate, params.frame)
        if params.corners is None:
            corners = _found(plate, frames[0], params)
        else:
            corners = in_pixels(plate, params.corners)
        grid = Grid.of(corners)
        fits = look_at(plate, frames, lambda frame: fit(Sheet.of(plate, frame), grid, params.batch))
        combined = combine(frames, [one.stops for one in fits], [one.sigma for one in fits])
        found = dict.fromkeys(warning for one in fits for warning in one.warnings)
        return Reading(
            meter=self.name,
            stops=combined.stops,
            sigma=max(combined.sigma, *(one.systematic for one in fits)),
            balance=_balance([one.colour for one in fits], plate.weights),
            evidence={
                "batch": params.batch,
                "corners": [list(corner) for corner in corners],
                "scatter_stops": combined.scatter,
                "frames": [
                    {"frame": n, **one.evidence} for n, one in zip(frames, fits, strict=True)
                ],
            },
            warnings=(*found, *combined.warnings),
        )


def _balance(colours: list[RGB | None], weights: RGB) -> RGB | None:
    known = [colour for colour in colours if colour is not None]
    if len(known) < len(colours):
        return None
    red, green, blue = np.exp(np.mean(np.log(known), axis=0))
    mean = (float(red), float(green), float(blue))
    return neutral(mean, float(np.dot(mean, weights)))


def _found(plate: PlateView, frame: int, params: ChartParams) -> Corners:
    """The corners of the chart that a search finds; the widest window that shows one wins.

    Raises:
        ValueError: Nothing in the picture reads as a chart, or the extra is not installed.
    """
    sheet, looked_at = Sheet.of(plate, frame), 0
    for window in _windows(plate, params.search):
        candidates = find(plate.region(frame, window))
        looked_at += len(candidates)
        fitting = []
        for corners in candidates:
            for turned in _turns(corners, *window[:2]):
                with suppress(ValueError):  # this is no chart, or not this way round
                    grid = Grid.of(turned)
                    found = fit(sheet, grid, params.batch)
                    if looks_like_a_chart(sheet, grid):
                        fitting.append((found.sigma, turned))
        if fitting:
            return min(fitting)[1]
    raise ValueError(
        f"no chart was found in frame {frame} ({looked_at} places looked like one); narrow the "
        "place with search, or give its corners"
    )


def _windows(plate: PlateView, region: Region) -> Iterator[tuple[int, int, int, int]]:
    """The region in pixels, then nine overlapping pieces of half its width and height."""
    sides = plate.window[2:] if all(0.0 <= value <= 1.0 for value in region) else (1, 1)
    x, y, width, height = (round(a * b) for a, b in zip(region, sides * 2, strict=True))
    yield x, y, width, height
    for down in range(3):
        for across in range(3):
            yield x + across * width // 4, y + down * height // 4, width // 2, height // 2


def _turns(corners: Corners, x: int, y: int) -> Iterator[Corners]:
    """The same corners from each of them on, both ways round, at home in the display window."""
    points = [(px + x, py + y) for px, py in corners]
    for way in (points, points[::-1]):
        for first in range(4):
            a, b, c, d = way[first:] + way[:first]
            yield (a, b, c, d)

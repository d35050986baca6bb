"""Where the patches of a 24-patch chart stand in a picture, seen in perspective."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.plugins.contracts import PlateView

__all__ = ["COLUMNS", "HALF_GAP", "ROWS", "Corners", "Cut", "Grid", "in_pixels", "shrunk"]

Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]
"""Outer corners of the block of patches, clockwise from the corner of dark skin."""

COLUMNS, ROWS = 6, 4

_GAP = 0.15
"""Gap between two patches over a patch's side (measured on the common chart; from memory).

It need not be exact: tests read inside the patches of charts without a gap and with four times it.
"""

HALF_GAP = (0.5 * _GAP / (COLUMNS * (1 + _GAP)), 0.5 * _GAP / (ROWS * (1 + _GAP)))
"""Half a gap over the width and the height of the chart when half a gap is left around it."""

_INNER = 0.5
"""Side of the part of a patch that is read, over the patch's side."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Pixels of one patch: a box in the picture, and which of its pixels lie in the patch.

    Attributes:
        box: x, y, width, height in pixels.
        inside: height x width.
    """

    box: tuple[int, int, int, int]
    inside: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Grid:
    """The chart's plane: the homography from the unit square to the picture, 3 x 3."""

    to_picture: npt.NDArray[np.float64]

    @classmethod
    def of(cls, corners: Corners) -> Grid:
        """The plane whose unit square has these corners in pixels, clockwise from (0, 0).

        Raises:
            ValueError: They are not the corners of a convex quadrilateral, in order.
        """
        points = np.asarray(corners, np.float64)
        edges = np.roll(points, -1, axis=0) - points
        after = np.roll(edges, -1, axis=0)
        turns = edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0]
        if not np.isfinite(turns).all() or not (np.all(turns > 0.0) or np.all(turns < 0.0)):
            raise ValueError(
                "the four corners do not go round a chart; give them clockwise from dark skin's"
            )
        return cls(_homography(points))

    def point(self, u: float, v: float) -> Point:
        """Pixel position of a point of the unit square."""
        x, y, w = self.to_picture @ (u, v, 1.0)
        return float(x / w), float(y / w)

    def cut(self, row: int, column: int) -> Cut:
        """The inner part of a patch; rows and columns count from dark skin."""
        u, wide = _span(column, COLUMNS)
        v, high = _span(row, ROWS)
        ends = [self.point(u + a * wide, v + b * high) for a in (-1, 1) for b in (-1, 1)]
        left, top = (int(np.floor(min(values))) for values in zip(*ends, strict=True))
        right, bottom = (int(np.ceil(max(values))) for values in zip(*ends, strict=True))
        x, y = np.meshgrid(np.arange(left, right) + 0.5, np.arange(top, bottom) + 0.5)
        back = np.linalg.inv(self.to_picture) @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
        away = np.abs(back[:2] / back[2] - [[u], [v]]) <= [[wide], [high]]
        return Cut((left, top, right - left, bottom - top), away.all(axis=0).reshape(x.shape))


def in_pixels(plate: PlateView, corners: Sequence[Point]) -> Corners:
    """Corners in pixels of the display window; fractions of it when none is over 1."""
    width, height = plate.window[2:]
    scale = (width, height) if all(0 <= c <= 1 for point in corners for c in point) else (1, 1)
    first, second, third, fourth = ((x * scale[0], y * scale[1]) for x, y in corners)
    return (first, second, third, fourth)


def shrunk(corners: Corners, margin: tuple[float, float]) -> Corners:
    """Corners moved inwards by a share of the width and of the height, in perspective."""
    grid, (u, v) = Grid.of(corners), margin
    return (grid.point(u, v), grid.point(1 - u, v), grid.point(1 - u, 1 - v), grid.point(u, 1 - v))


def _span(place: int, count: int) -> tuple[float, float]:
    """Centre, and half the side that is read, of a patch along an axis of the unit square."""
    whole = count + (count - 1) * _GAP
    return (place * (1 + _GAP) + 0.5) / whole, 0.5 * _INNER / whole


def _homography(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The 3 x 3 matrix, its last element 1, that takes the unit square to four points."""
    rows, values = [], []
    for (u, v), (x, y) in zip(((0, 0), (1, 0), (1, 1), (0, 1)), points, strict=True):
        rows.append([u, v, 1, 0, 0, 0, -u * x, -v * x])
        rows.append([0, 0, 0, u, v, 1, -u * y, -v * y])
        values += [x, y]
    solved = np.linalg.solve(np.asarray(rows, np.float64), np.asarray(values))
    return np.append(solved, 1.0).reshape(3, 3)

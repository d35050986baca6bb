"""Marked values: what stands on lenses, filters and menus, each with the number it stands for."""

from __future__ import annotations

from fractions import Fraction

from gradeprep.photometry import APERTURE_MARKS, exact_aperture

__all__ = ["ANGLES", "APERTURES", "DENSITIES", "INDICES", "TIMES", "filters", "marked_index"]

# fmt: off
APERTURES: dict[float, float] = {mark: exact_aperture(mark) for mark in APERTURE_MARKS}
"""Marks of f-numbers and T-stops by thirds, and what they stand for (see `APERTURE_MARKS`)."""

INDICES = (
    25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600,
    2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600,
)
"""Exposure indices by thirds of a stop (ISO 12232; from memory).

Tests hold them to 25 x 2 ** (k / 3), and to the series R10 of ISO 3, 10 ** (k / 10).
"""

ANGLES = (
    Fraction("11.25"), Fraction("22.5"), *map(Fraction, (30, 45, 60, 75, 90, 105, 120, 135, 144)),
    Fraction("172.8"), *map(Fraction, (180, 210, 225, 240, 270, 300, 330, 360)),
)
"""Shutter angles that are often set (common practice, no source)."""

TIMES = tuple(Fraction(1, parts) for parts in (
    8000, 6000, 5000, 4000, 3000, 2500, 2000, 1500, 1250, 1000, 800, 640, 500, 400, 320, 250, 240,
    200, 192, 160, 144, 125, 120, 100, 96, 80, 75, 72, 60, 50, 48, 40, 36, 30, 25, 24, 20, 15, 12,
    10, 8, 6, 5, 4, 3, 2, 1,
))
"""Times that are often set, in seconds; each is what it says (common practice, no source)."""
# fmt: on

DENSITIES = tuple(Fraction(3 * step, 10) for step in range(1, 9))
"""Densities of neutral filters, 0.3 to 2.4: by label a stop each (common practice, no source)."""


def filters(density: Fraction) -> tuple[Fraction, ...]:
    """The fewest filters of the series that add up to a multiple of the weakest, strongest first.

    >>> filters(Fraction("3.3"))
    (Fraction(12, 5), Fraction(9, 10))
    """
    strong, rest = divmod(density, DENSITIES[-1])
    return (DENSITIES[-1],) * int(strong) + ((rest,) if rest else ())


_NEAR = 0.03  # nominal thirds are up to 0.016 off (1250 is 1269.9), and a third is 0.26 wide


def marked_index(index: float) -> float:
    """The marked exposure index that a number is near to, or the number itself."""
    nearest = min(INDICES, key=lambda mark: abs(mark / index - 1.0))
    return float(nearest) if abs(nearest / index - 1.0) < _NEAR else index

"""Printer points and stops. Common practice, no source: a point is 0.025 of density."""

from __future__ import annotations

import math

__all__ = ["LIGHTS", "STOPS", "Triple", "points_of", "stops_of"]

Triple = tuple[float, float, float]

STOPS = 0.025 / math.log10(2.0)
"""Stops of one printer point: 0.083; twelve points are 0.997 stop."""

LIGHTS = 50
"""Lights on a printer's scale; a normal negative stands in the middle, at 25."""


def stops_of(points: Triple) -> Triple:
    """Stops for R, G and B."""
    red, green, blue = points
    return (red * STOPS, green * STOPS, blue * STOPS)


def points_of(gains: Triple) -> Triple:
    """Printer points of linear gains for R, G and B."""
    red, green, blue = (math.log2(gain) / STOPS for gain in gains)
    return (red, green, blue)

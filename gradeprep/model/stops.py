"""Stops: the one exposure unit. The only place where a power of two becomes a gain."""

from __future__ import annotations

import math

__all__ = ["GREY", "LIMIT", "gain", "stops_from", "tone", "valid_stops"]

GREY = 0.18
"""Scene-linear value of mid grey; tones are given in stops from it."""

LIMIT = 40.0
"""Largest exposure change accepted, in stops: all that a half float spans (IEEE 754)."""


def gain(stops: float) -> float:
    """Linear gain of an exposure change: ``2 ** stops`` (ISO 2720: one step is a factor of two).

    >>> gain(-3.0)
    0.125
    """
    return float(2.0**stops)


def stops_from(ratio: float) -> float:
    """Exposure change, in stops, of a linear ratio greater than zero.

    Raises:
        ValueError: The ratio is zero, negative or not finite.

    >>> stops_from(8.0)
    3.0
    """
    if not (ratio > 0.0 and math.isfinite(ratio)):
        raise ValueError(f"a ratio of {ratio!r} has no stops; it must be finite and above zero")
    return math.log2(ratio)


def tone(linear: float) -> float:
    """Tone of a scene-linear value above zero, in stops from grey.

    >>> tone(0.18)
    0.0
    """
    return stops_from(linear / GREY)


def valid_stops(value: float) -> float:
    """The value itself, when it is a usable exposure change in stops.

    Raises:
        ValueError: Not finite, or beyond what any plate spans.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a number of stops; give a finite number")
    if abs(value) > LIMIT:
        raise ValueError(f"{value:g} stops is beyond +-{LIMIT:g}, more than any plate spans")
    return value

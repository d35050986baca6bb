"""Two pictures of one scene: by how many stops they differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.meters.mosaic import Mosaic
from gradeprep.meters.patches import RGB
from gradeprep.meters.robust import location, spread, tile_error, weights_around

__all__ = ["Difference", "by_place", "by_tones"]

_LEAST = 16
_CONTRAST = 0.25
"""Contrast of a picture, in stops, from which on its likeness to another can be measured."""
_ALIKE = 0.5
"""Least correlation of the log luminance of two pictures of one scene."""
_TILTED = 0.1
"""Change of the ratio with tone, in stops a stop, that a wrong curve makes and noise does not."""
_PLACES = 64
_EDGE = 0.02
_OVERLAP = 0.2

Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Difference:
    """What brings one picture to the other.

    Attributes:
        stops: Change of luminance, in stops.
        sigma: One standard deviation of it.
        balance: Change of each channel beyond that, in stops; None where a channel has no light.
        evidence: Numbers behind it.
        warnings: What a reader of the number must know.
    """

    stops: float
    sigma: float
    balance: RGB | None
    evidence: dict[str, Any]
    warnings: tuple[str, ...] = ()


def by_place(here: Mosaic, there: Mosaic, *, max_spread: float) -> Difference:
    """The ratio of what stands at the same place: both pictures have one framing.

    A robust weighted mean of the blocks' log ratios, clipped and noisy blocks left out, flat
    ones counting most. Sigma is its standard error with the residuals of each of 4 x 4 tiles
    taken as one, so that what moved or was lit differently is not averaged away; what the ratio
    changes by over the tones of the picture, along a line, is added.

    Args:
        here: The picture to change.
        there: The picture to match.
        max_spread: Largest spread of the blocks' ratios, in stops.

    Raises:
        ValueError: Other sizes, too little in common; with the numbers.
    """
    if here.size != there.size:
        raise ValueError(
            f"the pictures are {_size(here)} and {_size(there)}; their framing is not the same: "
            "use mode: tones"
        )
    both = here.usable & there.usable
    count = int(np.count_nonzero(both))
    if count < _LEAST:
        raise ValueError(
            f"only {count} of {both.size} blocks are lit and not clipped in both pictures; "
            "name frames or a region that both recorded"
        )
    one, other = np.log2(here.luminance[both]), np.log2(there.luminance[both])
    ratios, errors = other - one, np.hypot(here.error[both], there.error[both])
    stops = location(ratios, errors)
    weights = weights_around(ratios, errors, middle=stops, extra=spread(ratios))
    tilt, level = _line(0.5 * (one + other), ratios, weights)
    scatter, alike = spread(ratios - level), _correlation(one, other)
    if scatter > max_spread or alike < _ALIKE:
        raise ValueError(
            f"the two pictures have too little in common: their ratio spreads by {scatter:.2f} "
            f"stops (at most {max_spread:g}), their tones correlate by {alike:.2f} (at least "
            f"{_ALIKE:g}); name the reference of this scene, or use mode: tones or region"
        )
    evidence = {
        "blocks": both.size,
        "used": count,
        "clipped": int(np.count_nonzero(here.clipped | there.clipped)),
        "spread_stops": scatter,
        "correlation": alike,
        "tilt": tilt,
    }
    return Difference(
        stops,
        math.hypot(tile_error(ratios, weights, here.tile[both], stops), spread(level)),
        _by_channel(here.rgb[both], there.rgb[both], errors, stops),
        evidence,
        _tilt_told(tilt),
    )


def by_tones(here: Mosaic, there: Mosaic, *, max_spread: float) -> Difference:
    """The shift that lays one distribution of log luminance over the other: the framing moved.

    The shift of least absolute distance between the two quantile functions, over the tones that
    both recorded: it is the median of their differences. It supposes that both pictures show
    the same mix of tones. Sigma says how far that may be wrong: the spread of the differences,
    and what leaving out each of 4 x 4 tiles changes (jackknife), of both pictures.

    Args:
        here: The picture to change.
        there: The picture to match.
        max_spread: Largest spread of the quantiles' differences, in stops.

    Raises:
        ValueError: Too few tones in common, or distributions of other shape; with the numbers.
    """
    low, high = _overlap(here, there)
    if high - low < _OVERLAP:
        raise ValueError(
            f"only {max(0.0, high - low):.0%} of the tones are lit and not clipped in both "
            f"pictures, under {_OVERLAP:.0%}; name frames that both recorded"
        )
    shifts = _shifts(here, there)
    scatter = spread(shifts)
    if scatter > max_spread:
        raise ValueError(
            f"the two pictures have too little in common: no shift lays their tones over each "
            f"other, {scatter:.2f} stops remain (at most {max_spread:g}); name the reference of "
            "this scene, or use mode: region"
        )
    stops = float(np.median(shifts))
    apart = _jackknife(here, there)
    evidence = {
        "tones": [low, high],
        "spread_stops": scatter,
        "jackknife_stops": apart,
        "blocks": [here.luminance.size, there.luminance.size],
    }
    channels = [float(np.median(_shifts(here, there, c))) - stops for c in range(3)]
    balance = (channels[0], channels[1], channels[2]) if np.isfinite(channels).all() else None
    return Difference(stops, math.hypot(scatter, apart), balance, evidence)


def _size(picture: Mosaic) -> str:
    return f"{picture.size[0]} x {picture.size[1]}"


def _correlation(one: Values, other: Values) -> float:
    """Correlation of two log pictures; 1 where one is too flat to compare."""
    if min(spread(one), spread(other)) < _CONTRAST:
        return 1.0
    return float(np.corrcoef(one, other)[0, 1])


def _line(tones: Values, ratios: Values, weights: Values) -> tuple[float, Values]:
    """Slope of the ratio over the tone, in stops a stop, and the line's value at each."""
    x = tones - np.average(tones, weights=weights)
    middle = np.average(ratios, weights=weights)
    if spread(x) < _CONTRAST:
        return 0.0, np.full_like(x, middle)
    slope = float(np.sum(weights * x * (ratios - middle)) / np.sum(weights * x * x))
    return slope, middle + slope * x


def _tilt_told(tilt: float) -> tuple[str, ...]:
    if abs(tilt) <= _TILTED:
        return ()
    return (
        f"the ratio of the two pictures changes by {tilt:+.2f} stops from one stop of tone to the "
        "next: a wrong input colour space, flare, or a display-referred picture",
    )


def _by_channel(here: Values, there: Values, errors: Values, stops: float) -> RGB | None:
    lit = ((here > 0.0) & (there > 0.0)).all(axis=1)
    if np.count_nonzero(lit) < _LEAST:
        return None
    ratios = np.log2(there[lit] / here[lit])
    red, green, blue = (location(column, errors[lit]) - stops for column in ratios.T)
    return (red, green, blue)


def _overlap(here: Mosaic, there: Mosaic) -> tuple[float, float]:
    """Shares of the picture, from the darkest up, between which both recorded the tones."""
    dark = max(float(np.mean(~(m.lit | m.clipped))) for m in (here, there))
    clipped = max(float(np.mean(m.clipped)) for m in (here, there))
    return dark, 1.0 - clipped


def _shifts(here: Mosaic, there: Mosaic, channel: int | None = None) -> Values:
    """Differences of the two quantile functions of log light, over the tones both recorded."""
    low, high = _overlap(here, there)
    places = np.linspace(low + _EDGE, high - _EDGE, _PLACES)
    one, other = (_quantiles(m, places, channel) for m in (here, there))
    lit = (one > 0.0) & (other > 0.0) & np.isfinite(one) & np.isfinite(other)
    return np.asarray(np.log2(other[lit] / one[lit])) if lit.any() else np.full(1, np.nan)


def _quantiles(picture: Mosaic, places: Values, channel: int | None) -> Values:
    values = picture.luminance if channel is None else picture.rgb[:, channel]
    known = np.where(picture.clipped, np.inf, np.where(picture.lit, values, 0.0))
    return np.asarray(np.quantile(known, places, method="nearest"))


def _jackknife(here: Mosaic, there: Mosaic) -> float:
    """Standard error of the shift over the content: each tile of either picture left out once."""
    left = [float(np.median(_shifts(part, there))) for part in here.without_each_tile()]
    right = [float(np.median(_shifts(here, part))) for part in there.without_each_tile()]
    # variance of a jackknife over n groups: (n - 1) / n * sum of squares = (n - 1) * np.var
    return math.sqrt(sum((len(side) - 1) * float(np.var(side)) for side in (left, right)))

"""What the meters share: the light of a rectangle of the picture, where it can be read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.clips.clipped import Clipped
from gradeprep.meters.patches import Patch, in_stops, measure, pieces_of
from gradeprep.meters.robust import spread
from gradeprep.plugins.contracts import PlateView

__all__ = ["MOST_CLIPPED", "Level", "Region", "level", "refuse_clipped", "refuse_small"]

Region = tuple[float, float, float, float]
"""x, y, width, height in pixels of the display window, or fractions of it."""

_LEAST = 16
MOST_CLIPPED = 0.01
"""Share of a channel's samples that may be clipped in a patch that is read."""

_MOST_APART = 0.1


@dataclass(frozen=True, slots=True)
class Level:
    """The light of a region.

    Attributes:
        patch: Its mean, standard error and pixels.
        evidence: Frame, region, mean, spread, gradient, pixels.
    """

    patch: Patch
    evidence: dict[str, Any]


def level(
    plate: PlateView, frame: int, region: Sequence[float], *, max_gradient: float, min_snr: float
) -> Level:
    """Robust level of a region that is one flat, lit, unclipped surface.

    Args:
        plate: The plate.
        frame: Frame number.
        region: x, y, width, height; pixels of the display window, or fractions of it.
        max_gradient: Largest difference between the region's quarters, in stops, their noise
            set aside; and the largest spread of tones that is not noise.
        min_snr: Least signal-to-noise ratio of a pixel.

    Raises:
        ValueError: Outside the picture, too small, clipped, too dark, or not uniform; with the
            numbers.
    """
    pixels = plate.region(frame, region)
    refuse_small(pixels.shape[0] * pixels.shape[1])
    patch = measure(
        pixels.reshape(-1, 3),
        plate.region_recorded(frame, region).reshape(-1, 3),
        pieces=pieces_of(*pixels.shape[:2]).ravel(),
        weights=plate.weights,
        scale=plate.scale,
        clipped=Clipped.of(plate, frame).region(region).reshape(-1, 3),
    )
    refuse_clipped(patch)
    if not patch.luminance > 0.0:
        raise ValueError(
            f"the region's luminance is {patch.luminance:.3g}; it holds no light to read"
        )
    luminance = pixels.astype(np.float64) @ np.asarray(plate.weights)
    gradient = _refuse_uneven(luminance, patch, max_gradient)
    if patch.snr < min_snr:
        raise ValueError(
            f"the region is too dark: the signal-to-noise ratio of a pixel is {patch.snr:.1f}, "
            f"under {min_snr:g}; read a lighter surface"
        )
    return Level(patch, _evidence(frame, region, patch, gradient))


def refuse_small(count: int, what: str = "region") -> None:
    """Refuse what is too small for statistics.

    Raises:
        ValueError: Under 16 pixels.
    """
    if count < _LEAST:
        raise ValueError(f"a {what} of {count} pixels is too small; give at least {_LEAST}")


def refuse_clipped(patch: Patch) -> None:
    """Refuse a patch of which a channel clips.

    Raises:
        ValueError: Over 1 % of a channel's samples are clipped.
    """
    if max(patch.clipped.values(), default=0.0) > MOST_CLIPPED:
        shares = ", ".join(f"{share:.0%} of {name}" for name, share in patch.clipped.items())
        raise ValueError(f"the region is clipped: {shares}; read a darker surface or another frame")


def _refuse_uneven(luminance: npt.NDArray[np.float64], patch: Patch, limit: float) -> float:
    """The gradient in stops; ValueError where the region is not one surface."""
    remedy = "choose a smaller region inside the card"
    gradient = _gradient(luminance)
    grain = in_stops(spread(np.diff(luminance, axis=1)) / math.sqrt(2.0), patch.luminance)
    chance = 4.0 * grain / math.sqrt(patch.pixels / 4.0)
    if not gradient <= limit + chance:
        raise ValueError(
            f"the region is not uniform: its quarters differ by {gradient:.2f} stops, "
            f"more than {limit:g}; {remedy}"
        )
    if patch.spread > limit and grain < 0.5 * patch.spread:
        raise ValueError(
            f"the region is not uniform: its tones spread by {patch.spread:.2f} stops, its noise "
            f"by {grain:.2f}; {remedy}"
        )
    apart = patch.rejected / patch.pixels
    if apart > _MOST_APART:
        raise ValueError(
            f"the region is not uniform: {apart:.0%} of its pixels stand apart from the rest, "
            f"more than {_MOST_APART:.0%}; {remedy}"
        )
    return gradient


def _gradient(luminance: npt.NDArray[np.float64]) -> float:
    """Largest difference between the medians of the region's quarters, in stops."""
    height, width = luminance.shape
    quarters = [
        float(np.median(luminance[rows, columns]))
        for rows in (slice(0, (height + 1) // 2), slice(height // 2, height))
        for columns in (slice(0, (width + 1) // 2), slice(width // 2, width))
    ]
    if min(quarters) <= 0.0:
        return math.inf
    return math.log2(max(quarters) / min(quarters))


def _evidence(frame: int, region: Sequence[float], patch: Patch, gradient: float) -> dict[str, Any]:
    return {
        "frame": frame,
        "region": list(region),
        "rgb": list(patch.rgb),
        "luminance": patch.luminance,
        "sigma_stops": patch.sigma,
        "spread_stops": patch.spread,
        "gradient_stops": gradient,
        "pixels": patch.pixels,
        "rejected": patch.rejected,
    }

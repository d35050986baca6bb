"""How much of a frame stands how many stops from grey, before and after a decision."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from gradeprep.clips.ceilings import Ceiling
from gradeprep.model.recipe import Shot
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.desk.frames import DecodedFrame
from gradeprep.review.desk.trial import StageTrial
from gradeprep.review.tones import LOW, STEP, tones_of

__all__ = ["sampled", "tone_data"]

MOST = 250_000
"""Pixels that the tones are read from: every so many of the picture, none of them averaged, so
that noise stands in them as it was recorded."""


def sampled(seen: DecodedFrame) -> Pixels:
    """Pixels spread evenly over a frame, those without light left out: float32 1 x N x 3."""
    step = max(1, round((seen.pixels.shape[0] * seen.pixels.shape[1] / MOST) ** 0.5))
    pixels = seen.pixels[::step, ::step]
    if seen.absent is None:
        return np.ascontiguousarray(pixels.reshape(1, -1, 3))
    return np.ascontiguousarray(pixels[~seen.absent[::step, ::step]].reshape(1, -1, 3))


def tone_data(
    pixels: Pixels,
    shot: Shot,
    tried: StageTrial,
    weights: tuple[float, float, float],
    found: Sequence[Ceiling | None] | None,
    note: str = "",
) -> dict[str, Any]:
    """The tones as plain data.

    Args:
        pixels: As `sampled` gives them.
        shot: The shot.
        tried: The decision.
        weights: Luminance weights of the working space.
        found: Ceilings of R, G and B; None where they are not known.
        note: Why they are not, in one line; none while they are still looked for.

    Raises:
        RequestError: A number that a stage refuses.
    """
    lines = [one.stops for one in found or () if one is not None]
    empty = pixels.size == 0
    before = () if empty else tones_of(pixels, weights).shares
    after = () if empty else tones_of(tried.applied(pixels, shot, weights), weights).shares
    return {
        "low": LOW,
        "step": STEP,
        "before": list(before),
        "after": list(after),
        "ceiling": min(lines) if lines else None,
        "pending": found is None and not note,
        "note": note,
    }

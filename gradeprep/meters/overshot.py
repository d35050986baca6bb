"""One reading from several frames of a shot, and a word when they do not agree."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from gradeprep.plugins.contracts import PlateView

__all__ = ["Combined", "combine", "frames_to_read", "look_at"]

T = TypeVar("T")

_MOST = 5
_LITTLE = 0.02
"""Change over a shot, in stops, that is not worth a word."""

_CHANCE = (0.0, 10.83, 13.82, 16.27, 18.47)
"""99.9 % quantiles of chi squared, 0 to 4 degrees of freedom (0: none)."""


@dataclass(frozen=True, slots=True)
class Combined:
    """Readings of several frames as one.

    Attributes:
        stops: Their mean.
        sigma: Its standard error; where the frames scatter by more than their own uncertainty,
            the standard deviation of the frames, because one number then serves no frame better.
        scatter: Largest difference between two frames, in stops.
        warnings: That the exposure changes over the shot, where it does.
    """

    stops: float
    sigma: float
    scatter: float
    warnings: tuple[str, ...]


def frames_to_read(plate: PlateView, frame: int | None) -> tuple[int, ...]:
    """The frame named, or up to five spread over the shot.

    Raises:
        ValueError: The shot has no such frame.
    """
    if frame is None:
        return tuple(plate.sample(_MOST))
    if frame not in plate.frames:
        raise ValueError(f"shot {plate.shot} has no frame {frame}; it has {plate.frames}")
    return (frame,)


def look_at(plate: PlateView, frames: Sequence[int], look: Callable[[int], T]) -> list[T]:
    """What ``look`` says of each frame; an error says which frame it met.

    Raises:
        ValueError: A frame gives no honest number.
    """
    if len(frames) == 1:
        return [look(frames[0])]

    def named(frame: int) -> T:
        try:
            return look(frame)
        except ValueError as error:
            raise ValueError(
                f"frame {frame}: {error}; or name the frame to read with 'frame'"
            ) from error

    return plate.each(frames, named)


def combine(frames: Sequence[int], stops: Sequence[float], sigmas: Sequence[float]) -> Combined:
    """Mean of the frames' readings, and whether their own uncertainty explains their scatter.

    The question is asked of chi squared at 99.9 %.

    Args:
        frames: Frame numbers.
        stops: Reading of each, in stops.
        sigmas: One standard deviation of each, in stops.
    """
    count = len(stops)
    mean = float(np.mean(stops))
    sigma = math.sqrt(float(np.sum(np.square(sigmas)))) / count
    scatter = float(max(stops) - min(stops))
    away = sum(((s - mean) / max(e, 1e-9)) ** 2 for s, e in zip(stops, sigmas, strict=True))
    if count < 2 or away <= _CHANCE[count - 1]:
        return Combined(mean, sigma, scatter, ())
    warnings: tuple[str, ...] = ()
    if scatter > _LITTLE:
        low, high = (frames[stops.index(end(stops))] for end in (min, max))
        warnings = (
            f"the exposure changes over the shot by {scatter:.2f} stops (frames "
            f"{min(low, high)} and {max(low, high)}); use --per-frame, or give the pull keys",
        )
    return Combined(mean, max(sigma, float(np.std(stops, ddof=1))), scatter, warnings)

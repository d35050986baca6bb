"""Where a frame's recorded samples come to an end: plateaus at the top and at the bottom."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from gradeprep.clips.plateau import Band, Bins, Surroundings, band, convincing, surroundings
from gradeprep.ends import LEAST, shared
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["at_an_end", "first_clip"]


def at_an_end(recorded: Pixels, ceiling: float | None) -> npt.NDArray[np.bool_]:
    """Pixels, H x W, with a channel at the frame's largest or smallest recorded value.

    There the noise is cut off on one side, so that it cannot be measured. A value that fewer
    than 16 samples share is no end.

    Args:
        recorded: Recorded samples, H x W x 3.
        ceiling: Largest value that the encoding holds, if there is one.
    """
    found = np.zeros(recorded.shape[:2], np.bool_)
    for channel in range(recorded.shape[2]):
        plane = recorded[..., channel]
        for end in (plane.min(initial=np.inf), plane.max(initial=-np.inf)):
            there = shared(plane, end)
            if there is not None:
                found |= there
        if ceiling is not None:
            found |= plane >= ceiling
    return found


def first_clip(plate: PlateView, frames: Iterable[int]) -> float | None:
    """The lowest recorded value at which a channel is seen to clip, or None where none is.

    Args:
        plate: The plate.
        frames: Frames to look at.
    """
    bins, numbers = Bins.of(plate.scale), tuple(frames)

    def count(frame: int) -> list[npt.NDArray[np.int64]]:
        index = bins.index(plate.recorded(frame))
        return [bins.count(index[..., channel]) for channel in range(3)]

    counted = plate.each(numbers, count)
    tops = (
        _clip(plate, numbers, channel, _sum([counts[channel] for counts in counted]))
        for channel in range(3)
    )
    found = [bins.value(top.low) for top in tops if top is not None]
    return float(min(found)) if found else None


def _clip(
    plate: PlateView, frames: tuple[int, ...], channel: int, counts: npt.NDArray[np.int64]
) -> Band | None:
    """The band that a channel piles up in, if it is convincing."""
    bins, scale = Bins.of(plate.scale), plate.scale
    found = band(counts, bins, scale, least=LEAST)
    if found is None:
        return None
    pile = found

    def around(frame: int) -> Surroundings | None:
        index = bins.index(plate.recorded(frame)[..., channel])
        return surroundings(index, pile, bins, scale)

    seen = [one for one in plate.each(frames, around) if one is not None]
    return found if convincing(found, seen, bins) else None


def _sum(counts: list[npt.NDArray[np.int64]]) -> npt.NDArray[np.int64]:
    total = np.zeros(max(one.size for one in counts), np.int64)
    for one in counts:
        total[: one.size] += one
    return total

"""Stuck pixels: photosites that do not follow the picture.

A stuck pixel keeps its recorded value to the bit, or is far brighter than its eight neighbours,
in every frame examined, while the picture around it moves. Without movement the answer is
unknown: a small lamp in a locked-off shot looks the same, and a still picture keeps all its
values. Two kinds of light keep a value without being stuck: glints that clip in each frame, as
their neighbours do, and noise of a few steps, which repeats a value within a few frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.framerange import FrameRange
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["LEAST", "Place", "find"]

Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

LEAST = 5
"""Fewest frames that show a stuck pixel."""

_BLOCK = 16
"""Side of the blocks in which movement is measured, in pixels."""

_MOVED = 0.1
"""Relative change of a block's light that is movement, not noise."""

_APART = 2.0
"""Distance of a hot pixel above its neighbours, in units of their own range."""

_FOLLOWS = 0.02
"""Least change of a stuck pixel's neighbours, as a share of their value; or four codes."""

_VARIED = 0.75
"""How many different values its neighbours take, as a share of the frames."""

_CHANCE = 0.01
"""Expected number of samples that keep their value by chance, at most."""

_MOST = 1e-3
"""Largest share of stuck samples; above it the picture itself is still."""


@dataclass(frozen=True, slots=True)
class Place:
    """A stuck pixel: column and row in the data window, channel."""

    x: int
    y: int
    channel: str


@dataclass(frozen=True, slots=True)
class _Look:
    """One frame against the first: which samples kept their value, which are hot, block light."""

    same: npt.NDArray[np.uint8]
    hot: Mask
    light: npt.NDArray[np.float32]


def find(plate: PlateView, frames: FrameRange) -> list[Place]:
    """Stuck pixels, row by row; none when the frames are too few or differ in size.

    Args:
        plate: The plate.
        frames: Frames to look at; `LEAST` or more.
    """
    if len(frames) < LEAST:
        return []
    first = plate.recorded(frames.first)
    if min(first.shape[:2]) < _BLOCK:
        return []
    candidates = np.flatnonzero(_hot(first, plate.scale.step))

    def look(frame: int) -> _Look | None:
        recorded = plate.recorded(frame)
        if recorded.shape != first.shape:
            return None
        same = np.packbits(recorded == first)
        hot = _around(recorded, candidates)
        return _Look(same, _stands_out(hot, plate.scale.step), _block_light(plate.pixels(frame)))

    looks = [one for one in plate.each(frames, look) if one is not None]
    if len(looks) < len(frames):
        return []
    moved = _moved(np.stack([one.light for one in looks]), first.shape)
    hot = candidates[np.logical_and.reduce([one.hot for one in looks])]
    bits = np.bitwise_and.reduce([one.same for one in looks])
    same = np.unpackbits(bits, count=first.size).astype(bool).reshape(first.shape)
    kept = np.flatnonzero(same & moved[..., None] & ~_beside(same) & _inside(first.shape))
    if kept.size > _MOST * first.size:
        kept = kept[:0]
    hot = hot[moved.ravel()[hot // 3]]
    kept = kept[_neighbours_follow(plate, frames, kept, samples=3 * int(moved.sum()))]
    found = np.union1d(hot, kept)
    rows, columns, channels = np.unravel_index(found, first.shape)
    places = zip(columns.tolist(), rows.tolist(), channels.tolist(), strict=True)
    return [Place(x, y, "RGB"[channel]) for x, y, channel in places]


def _neighbours_follow(
    plate: PlateView, frames: FrameRange, places: Indices, *, samples: int
) -> Mask:
    """Whether all eight neighbours of each place change over the frames, and keep changing.

    In a drawn picture few values come again and again, and a pixel may meet one by chance, as any
    of the ``samples`` may that were looked at.
    """
    if not places.size:
        return np.zeros(0, np.bool_)
    seen = np.stack(plate.each(frames, lambda frame: _around(plate.recorded(frame), places)))
    own, beside = seen[0, :, 0], np.sort(seen[..., 1:], axis=0)
    least = np.maximum(_FOLLOWS * np.abs(beside).mean(axis=0), 4.0 * plate.scale.step)
    follow = (beside[-1] - beside[0] > least).all(axis=1)
    values = 1 + np.count_nonzero(np.diff(beside, axis=0), axis=0)
    varied = values.mean(axis=1) >= _VARIED * len(frames)
    tops = plate.recorded(frames.first).max(axis=(0, 1))
    clips = (own >= tops[places % 3]) & (own <= beside[-1].max(axis=1))
    chance = samples * _alike(beside) ** (len(frames) - 1)
    return np.asarray(follow & varied & ~clips & (chance <= _CHANCE))


def _alike(beside: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Share of the pairs of values around a place that are equal: frames x N x 8 to N."""
    values = np.sort(beside.swapaxes(0, 1).reshape(beside.shape[1], -1), axis=1)
    place = np.arange(values.shape[1])
    begins = np.diff(values, axis=1, prepend=-np.inf) != 0.0
    before = place - np.maximum.accumulate(np.where(begins, place, 0), axis=1)  # of its value
    return np.asarray(before.sum(axis=1) / place.sum())


def _around(recorded: Pixels, places: Indices) -> npt.NDArray[np.float32]:
    """Each place's own value and its eight neighbours': N x 9. No place lies on the border."""
    width = recorded.shape[1]
    steps = [0, *(3 * (width * y + x) for y in (-1, 0, 1) for x in (-1, 0, 1) if x or y)]
    return np.asarray(recorded.ravel()[places[:, None] + np.asarray(steps)])


def _stands_out(around: npt.NDArray[np.float32], step: float) -> Mask:
    """Whether the first of nine values stands far over the eight others."""
    top, low = around[:, 1:].max(axis=1), around[:, 1:].min(axis=1)
    return np.asarray(around[:, 0] - top > _APART * (top - low) + 4.0 * step)


def _hot(recorded: Pixels, step: float) -> Mask:
    """Samples that stand far over their neighbours; cheap ones to rule out first."""
    over = np.zeros(recorded.shape, np.bool_)
    middle = recorded[1:-1, 1:-1]
    sides = recorded[1:-1, :-2], recorded[1:-1, 2:], recorded[:-2, 1:-1], recorded[2:, 1:-1]
    inner = over[1:-1, 1:-1]
    inner[:] = True
    for side in sides:
        inner &= middle > side
    places = np.flatnonzero(over)
    over.ravel()[places] = _stands_out(_around(recorded, places), step)
    return over


def _block_light(pixels: Pixels) -> npt.NDArray[np.float32]:
    """Mean light of each block over that of the frame's median block."""
    rows, columns = (size // _BLOCK for size in pixels.shape[:2])
    whole = pixels[: rows * _BLOCK, : columns * _BLOCK].reshape(rows, _BLOCK, columns, -1)
    light = whole.mean(axis=(1, 3), dtype=np.float32)
    median = np.median(light)
    return np.asarray(light / median if median > 0.0 else light)


def _moved(light: npt.NDArray[np.float32], shape: tuple[int, ...]) -> Mask:
    """Pixels of blocks whose light changes over the frames; the rest of a block counts with it."""
    moved = np.ptp(light, axis=0) > _MOVED * np.abs(light.mean(axis=0))
    rows = np.minimum(np.arange(shape[0]) // _BLOCK, moved.shape[0] - 1)
    columns = np.minimum(np.arange(shape[1]) // _BLOCK, moved.shape[1] - 1)
    return np.asarray(moved[rows[:, None], columns])


def _beside(mask: Mask) -> Mask:
    """Samples with a set one among their eight neighbours of the same channel."""
    near = np.zeros_like(mask)
    near[1:] |= mask[:-1]
    near[:-1] |= mask[1:]
    tall = near | mask
    near[:, 1:] |= tall[:, :-1]
    near[:, :-1] |= tall[:, 1:]
    return near


def _inside(shape: tuple[int, ...]) -> Mask:
    """All but the border."""
    inside = np.zeros(shape, np.bool_)
    inside[1:-1, 1:-1] = True
    return inside

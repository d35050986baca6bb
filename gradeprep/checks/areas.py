"""Connected areas of a mask: how many, how large, where.

Two passes over runs of set pixels: each run is tied to the runs it touches in the row above,
corners included (8-connected), then the ties are followed to the lowest run of each area.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Areas", "find"]

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Areas:
    """The areas of one mask, the largest first.

    Attributes:
        pixels: Size of each in pixels.
        boxes: N x 4: x, y, width, height of each.
    """

    pixels: Indices
    boxes: Indices

    @property
    def largest(self) -> tuple[int, tuple[int, int, int, int]]:
        """Size and box of the largest one; of no pixels where there is none."""
        if not self.pixels.size:
            return 0, (0, 0, 0, 0)
        x, y, width, height = (int(side) for side in self.boxes[0])
        return int(self.pixels[0]), (x, y, width, height)


def find(mask: npt.NDArray[np.bool_]) -> Areas:
    """Areas of the set pixels of a mask, H x W.

    >>> areas = find(np.array([[1, 0, 0, 1], [0, 1, 0, 1]], bool))
    >>> areas.pixels.tolist(), areas.boxes.tolist()
    ([2, 2], [[0, 0, 2, 2], [3, 0, 1, 2]])
    """
    # A clear column on both sides keeps a run inside its row, and a corner out of the next one.
    stride = mask.shape[1] + 2
    padded = np.zeros((mask.shape[0], stride), np.bool_)
    padded[:, 1:-1] = mask
    flat = padded.ravel()
    edges = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    starts, ends = edges[::2], edges[1::2]
    if not starts.size:
        return Areas(np.zeros(0, np.int64), np.zeros((0, 4), np.int64))
    return _measured(starts, ends, _roots(starts.size, *_ties(starts, ends, stride)), stride)


def _ties(starts: Indices, ends: Indices, stride: int) -> tuple[Indices, Indices]:
    """Pairs of runs that touch: one, and one of the row above it."""
    first = np.searchsorted(ends + stride, starts, "left")
    last = np.searchsorted(starts + stride, ends, "right")
    count = np.maximum(last - first, 0)
    lower = np.repeat(np.arange(starts.size), count)
    before = np.cumsum(count) - count
    upper = np.arange(lower.size) - np.repeat(before - first, count)
    return lower, upper


def _roots(size: int, lower: Indices, upper: Indices) -> Indices:
    """Lowest run of the area that each run belongs to."""
    parent = np.arange(size)
    while True:
        one, other = parent[lower], parent[upper]
        if np.array_equal(one, other):
            return parent
        np.minimum.at(parent, np.maximum(one, other), np.minimum(one, other))
        while not np.array_equal(parent, shorter := parent[parent]):
            parent = shorter


def _measured(starts: Indices, ends: Indices, roots: Indices, stride: int) -> Areas:
    order = np.argsort(roots, kind="stable")
    starts, ends = starts[order], ends[order]
    cuts = np.flatnonzero(np.diff(roots[order], prepend=-1))
    rows = starts // stride
    left = np.minimum.reduceat(starts - rows * stride - 1, cuts)
    right = np.maximum.reduceat(ends - rows * stride - 1, cuts)
    top, bottom = np.minimum.reduceat(rows, cuts), np.maximum.reduceat(rows, cuts)
    boxes = np.stack([left, top, right - left, bottom - top + 1], axis=1)
    pixels = np.add.reduceat(ends - starts, cuts)
    largest = np.argsort(-pixels, kind="stable")
    return Areas(pixels[largest], boxes[largest])

"""Brushes for procedural pictures: soft masks, seeded noise and boards in perspective.

Coordinates do not depend on the picture's size: y runs from 0 at the top to 1 at the bottom, x
from 0 to the aspect ratio. A mask is H x W float32 coverage, 0 to 1, antialiased over one pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.demo.sensor import Picture

__all__ = ["Canvas", "Colour", "Field", "boards", "noise", "ramp", "smooth"]

Field = npt.NDArray[np.floating[Any]]
"""One number a pixel, H x W, or a row or column that broadcasts to it."""

Colour = tuple[float, float, float]
"""Scene-linear AP1."""


class Canvas:
    """A picture under the brush.

    Attributes:
        picture: H x W x 3 float32, scene-linear AP1, black at first.
        x: 1 x W, y: H x 1: coordinates of the pixel centres.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.width, self.height = size
        self.aspect = self.width / self.height
        self.picture: Picture = np.zeros((self.height, self.width, 3), np.float32)
        self.x: Field = _centres(self.width, self.aspect)[None, :]
        self.y: Field = _centres(self.height, 1.0)[:, None]

    def coverage(self, distance: Field) -> Field:
        """Mask of a signed distance field, positive inside, in coordinate units."""
        cover: Field = np.clip(distance * np.float32(self.height) + np.float32(0.5), 0.0, 1.0)
        return cover

    def polygon(self, *corners: tuple[float, float]) -> Field:
        """Mask of a convex polygon, corners clockwise as seen on screen."""
        inside: Field | None = None
        for (x0, y0), (x1, y1) in zip(corners, (*corners[1:], corners[0]), strict=True):
            length = math.hypot(x1 - x0, y1 - y0)
            nx, ny = -(y1 - y0) / length, (x1 - x0) / length
            edge = nx * (self.x - x0) + ny * (self.y - y0)
            inside = edge if inside is None else np.minimum(inside, edge)
        assert inside is not None
        return self.coverage(inside)

    def box(self, x: float, y: float, width: float, height: float) -> Field:
        """Mask of an upright rectangle: x, y of its top left corner."""
        across = np.minimum(self.x - x, x + width - self.x)
        return self.coverage(np.minimum(across, np.minimum(self.y - y, y + height - self.y)))

    def line(self, start: tuple[float, float], end: tuple[float, float], width: float) -> Field:
        """Mask of a stroke with round ends."""
        (x0, y0), (x1, y1) = start, end
        dx, dy = x1 - x0, y1 - y0
        along = ((self.x - x0) * dx + (self.y - y0) * dy) / (dx * dx + dy * dy)
        along = np.clip(along, 0.0, 1.0)
        return self.coverage(width / 2 - _hypot(self.x - x0 - along * dx, self.y - y0 - along * dy))

    def ring(self, centre: tuple[float, float], outer: float, inner: float, flat: float) -> Field:
        """Mask of a ring; ``flat`` below 1 squashes it as perspective does."""
        radius = _hypot(self.x - centre[0], (self.y - centre[1]) / flat)
        return self.coverage(np.minimum(outer - radius, radius - inner))

    def below(self, curve: Field | float) -> Field:
        """Mask of everything under a curve that gives y for each column."""
        return self.coverage(self.y - curve)

    def rope(
        self, start: tuple[float, float], end: tuple[float, float], *, sag: float, width: float
    ) -> Field:
        """Mask of a rope that hangs between two points, ``sag`` deep halfway."""
        (x0, y0), (x1, y1) = start, end
        t = (self.x - x0) / (x1 - x0)
        curve = y0 + (y1 - y0) * t + 4.0 * sag * t * (1.0 - t)
        slope = np.hypot(1.0, (y1 - y0 + 4.0 * sag * (1.0 - 2.0 * t)) / (x1 - x0))
        ends = np.minimum(t, 1.0 - t) * abs(x1 - x0)
        return self.coverage(np.minimum(width / 2 - np.abs(self.y - curve) / slope, ends))

    def glow(self, centre: tuple[float, float], radius: float) -> Field:
        """A round falloff, 1 in the centre: ``1 / (1 + (r / radius)**2)**2``."""
        square = ((self.x - centre[0]) ** 2 + (self.y - centre[1]) ** 2) / radius**2
        return np.square(1.0 / (1.0 + square)).astype(np.float32)

    def paint(self, mask: Field, colour: Colour | Picture, shade: Field | float = 1.0) -> None:
        """Lay a colour, times a shade a pixel, over the picture where the mask covers it."""
        whole = self.picture.shape
        cover = np.broadcast_to(mask, whole[:2])
        spot = _extent(cover)
        paint = np.broadcast_to(np.asarray(colour, np.float32), whole)[spot]
        shades = np.broadcast_to(np.asarray(shade, np.float32), whole[:2])[spot]
        target = self.picture[spot]
        target += cover[spot][..., None] * (paint * shades[..., None] - target)

    def shine(self, strength: Field, colour: Colour) -> None:
        """Add light, everywhere."""
        self.picture += strength[..., None] * np.asarray(colour, np.float32)

    def dim(self, factor: Field) -> None:
        """Multiply the picture by a factor a pixel."""
        self.picture *= np.broadcast_to(factor, self.picture.shape[:2])[..., None]


def ramp(position: Field, stops: Sequence[tuple[float, Colour]]) -> Picture:
    """Colours interpolated along a position; ``stops`` are (position, colour), ascending."""
    places = [place for place, _ in stops]
    planes = [np.interp(position, places, [c[i] for _, c in stops]) for i in range(3)]
    return np.stack(planes, axis=-1).astype(np.float32)


def smooth(start: float, end: float, value: Field) -> Field:
    """Cubic smoothstep of the value: 0 at ``start``, 1 at ``end``, which may be the smaller."""
    t = np.clip((value - np.float32(start)) / np.float32(end - start), 0.0, 1.0)
    eased: Field = t * t * (np.float32(3.0) - np.float32(2.0) * t)
    return eased


def noise(
    canvas: Canvas,
    cells: tuple[float, float],
    *,
    seed: int,
    octaves: int = 1,
    drift: tuple[float, float] = (0.0, 0.0),
) -> Field:
    """Smooth noise, 0 to 1 around 0.5, H x W: seeded lattices, enlarged and summed.

    Args:
        canvas: Gives the size.
        cells: Lattice cells across and down of the coarsest octave.
        seed: Equal seeds give equal noise.
        octaves: Each next one is twice as fine and half as strong.
        drift: Cells that the noise has moved right and down; whole lattices wrap around.
    """
    total: Field = np.zeros((canvas.height, canvas.width), np.float32)
    weight = 0.0
    for octave in range(octaves):
        fine = 2.0**octave
        across, down = cells[0] * fine, cells[1] * fine
        dice = np.random.Generator(np.random.PCG64((seed, octave)))
        lattice = dice.random((math.ceil(down) + 1, math.ceil(across) + 1), np.float32)
        rows = _stretched(lattice, canvas.height, down, drift[1] * fine)
        total += _stretched(rows.T, canvas.width, across, drift[0] * fine).T / np.float32(fine)
        weight += 1.0 / fine
    return total / np.float32(weight)


def boards(across: Field, *, seed: int, groove: float, fineness: Field | float) -> Field:
    """Shade of boards that lie side by side: each its own tone, a dark groove between them.

    Args:
        across: Position across the boards, one unit a board.
        seed: Seed of the tones.
        groove: Width of the groove in boards.
        fineness: Boards a pixel; grooves fade out where they get finer than the picture.
    """
    index = np.floor(across)
    dice = np.random.Generator(np.random.PCG64(seed))
    tones = (0.72 + 0.4 * dice.random(64, np.float32)).astype(np.float32)
    tone = tones[index.astype(np.int32) % 64]
    edge = np.abs(across - index - np.float32(0.5)) - np.float32(0.5 - groove)
    width = np.maximum(np.asarray(fineness, np.float32), np.float32(1e-6))
    depth = np.clip(edge / width + 0.5, 0.0, 1.0) * np.clip(groove * 3.0 / width, 0.0, 0.7)
    fade = np.clip(1.5 - width, 0.0, 1.0)
    shade: Field = (1.0 + (tone - 1.0) * fade) * (1.0 - depth)
    return shade.astype(np.float32)


def _centres(count: int, extent: float) -> Field:
    return ((np.arange(count, dtype=np.float32) + 0.5) * np.float32(extent / count)).astype(
        np.float32
    )


def _hypot(a: Field, b: Field) -> Field:
    """``np.hypot`` guards against overflow that coordinates never reach, at four times the time."""
    return np.sqrt(a * a + b * b)


def _stretched(lattice: Field, length: int, cells: float, drift: float) -> Field:
    """Rows smoothly interpolated to ``length``; the lattice wraps, so that it can drift."""
    place = (np.arange(length, dtype=np.float32) + 0.5) * (cells / length) - drift
    low = np.floor(place)
    part = smooth(0.0, 1.0, place - low)[:, None]
    index = low.astype(np.int64)
    points = lattice.shape[0]
    here, there = lattice[index % points], lattice[(index + 1) % points]
    between: Field = here + part * (there - here)
    return between


def _extent(mask: Field) -> tuple[slice, slice]:
    """Rows and columns outside of which the mask is empty: most shapes are small."""
    rows = np.flatnonzero(mask.any(axis=1))
    columns = np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return slice(0, 0), slice(0, 0)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)

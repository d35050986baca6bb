"""Small blocks of a picture: mean light, and the covariance of its noise between channels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["SIDE", "Blocks", "between_frames", "joined", "within_frame"]

Floats = npt.NDArray[np.float64]
Light = npt.NDArray[np.float32]

SIDE = 6
"""Side of a block in pixels."""

_APART = 2
"""Distance of the samples compared within a frame: debayering ties neighbours together."""

_PAIRS = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks of one or more frames.

    Attributes:
        mean: Mean linear light of each, N x 3.
        noise: Covariance of the noise of each, N x 3 x 3.
        relief: Covariance of the light of its pixels between channels, N x 3 x 3: edges, texture.
        place: Centre of each, N x 2: x and y from the middle, in half diagonals of the picture.
        temporal: Whether the noise is the difference of two frames. Otherwise it is the second
            difference between pixels of one frame, which also holds texture and fixed pattern.
    """

    mean: Floats
    noise: Floats
    relief: Floats
    place: Floats
    temporal: bool


def between_frames(one: Light, other: Light) -> Blocks:
    """Blocks of two frames, H x W x 3 each: half the variance of their difference.

    The mean difference of a block is subtracted, so flicker does not count (EMVA Standard 1288,
    temporal noise).
    """
    change = (one - other) * np.float32(np.sqrt(0.5))
    level = _means((one + other) * np.float32(0.5))
    drift = _means(change)
    noise = _products(change) - drift[:, None, :] * drift[:, :, None]
    noise *= SIDE**2 / (SIDE**2 - 1.0)
    return Blocks(level, noise, _relief(one, level), _places(one.shape), temporal=True)


def within_frame(one: Light) -> Blocks:
    """Blocks of one frame, H x W x 3: mixed second differences of samples two apart.

    The operator is that of Immerkaer (CVIU 64(2), 1996), which cancels planes and straight edges
    along the axes; white noise passes with a factor of 6.
    """
    bent = one
    for axis in (0, 1):
        size = one.shape[axis]
        middle = _cut(bent, axis, _APART, size - _APART)
        ends = _cut(bent, axis, 0, size - 2 * _APART) + _cut(bent, axis, 2 * _APART, size)
        inner = 2 * middle - ends
        wide = [(_APART, _APART) if a == axis else (0, 0) for a in range(3)]
        bent = np.pad(inner, wide, mode="edge")
    level, noise = _means(one), _products(bent * np.float32(1.0 / 6.0))
    return Blocks(level, noise, _relief(one, level), _places(one.shape), temporal=False)


def joined(several: list[Blocks]) -> Blocks:
    """Blocks of several frames as one list; all temporal or none."""
    return Blocks(
        np.concatenate([one.mean for one in several]),
        np.concatenate([one.noise for one in several]),
        np.concatenate([one.relief for one in several]),
        np.concatenate([one.place for one in several]),
        several[0].temporal,
    )


def _relief(one: Light, level: Floats) -> Floats:
    return np.asarray(_products(one) - level[:, None, :] * level[:, :, None])


def _cut(picture: Light, axis: int, first: int, last: int) -> Light:
    return picture[first:last] if axis == 0 else picture[:, first:last]


def _means(picture: Light) -> npt.NDArray[np.float64]:
    rows, columns = picture.shape[0] // SIDE, picture.shape[1] // SIDE
    whole = np.ascontiguousarray(picture[: rows * SIDE, : columns * SIDE])
    across = whole.reshape(rows * SIDE, columns, SIDE, -1).sum(axis=2)
    found = across.reshape(rows, SIDE, columns, -1).sum(axis=1, dtype=np.float64)
    return np.asarray(found.reshape(rows * columns, -1) / SIDE**2)


def _products(picture: Light) -> npt.NDArray[np.float64]:
    """Mean products of the channels in each block: N x 3 x 3."""
    found = _means(np.stack([picture[..., a] * picture[..., b] for a, b in _PAIRS], axis=-1))
    full = np.empty((found.shape[0], 3, 3))
    for k, (a, b) in enumerate(_PAIRS):
        full[:, a, b] = full[:, b, a] = found[:, k]
    return full


def _places(shape: tuple[int, ...]) -> npt.NDArray[np.float64]:
    rows, columns = shape[0] // SIDE, shape[1] // SIDE
    half = np.hypot(shape[0], shape[1]) / 2.0
    y = ((np.arange(rows) + 0.5) * SIDE - shape[0] / 2.0) / half
    x = ((np.arange(columns) + 0.5) * SIDE - shape[1] / 2.0) / half
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1).reshape(-1, 2)

"""Gradients without noise, which no sensor records.

Photons arrive at random, so recorded light is noisy (shot noise; EMVA Standard 1288). A large
photosite of 100,000 electrons has a noise of 0.3 % at saturation, 0.0046 stops. Where values are
recorded in finer steps, noise shows in every lit part of a picture. A gradient without noise is
drawn, rendered or denoised, and a flat area at the top of such a picture may be a drawn colour.

A flat area alone is no evidence: clipped light is flat, too.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["FINE", "smooth_share"]

FINE = 0.005
"""Widest step of recorded values, in stops, in which any sensor's noise shows."""

_BLOCK = 8

_GRADIENT = 8
"""Least range of a block, in steps, that is a gradient: one from pixel to pixel."""

_NO_NOISE = 1.0
"""What rounding alone leaves of the second difference of a gradient, in steps, on average."""


def smooth_share(index: npt.NDArray[np.int32]) -> float:
    """Share of the lit blocks that hold a gradient without noise, 0 to 1.

    Second differences are taken down and across, and the smaller one counts: a gradient is
    straight at least along its edge. Samples two apart are compared, as demosaicing ties
    neighbours together. Blocks that touch darkness or the brightest value there is are left out.

    Args:
        index: The step in which each pixel of one channel was recorded, H x W; 0 is dark.
    """
    rows, columns = (size // _BLOCK for size in index.shape)
    if not rows * columns:
        return 0.0
    blocks = index[: rows * _BLOCK, : columns * _BLOCK].reshape(rows, _BLOCK, columns, _BLOCK)
    least, most = blocks.min(axis=(1, 3)), blocks.max(axis=(1, 3))
    lit = (least > 0) & (most < index.max())
    if not lit.any():
        return 0.0
    middle = 2 * blocks[:, 2:-2, :, 2:-2]
    across = middle - blocks[:, 2:-2, :, :-4] - blocks[:, 2:-2, :, 4:]
    down = middle - blocks[:, :-4, :, 2:-2] - blocks[:, 4:, :, 2:-2]
    bent = np.minimum(_size(across), _size(down))
    smooth = (bent < _NO_NOISE) & (most - least >= _GRADIENT)
    return float(np.count_nonzero(smooth & lit) / np.count_nonzero(lit))


def _size(blocks: npt.NDArray[np.int32]) -> npt.NDArray[np.float64]:
    """Mean absolute value of each block."""
    return np.asarray(np.abs(blocks).mean(axis=(1, 3), dtype=np.float64))

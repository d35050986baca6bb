"""Coverage of one sample type as another: 0 to 1 over the whole range of codes."""

from __future__ import annotations

import numpy as np

from gradeprep.model.frame import Plane
from gradeprep.model.pixeltypes import PIXEL_TYPES, PixelType, top_code

__all__ = ["coverage"]


def coverage(plane: Plane, bits: int | None, kind: PixelType) -> Plane:
    """An alpha channel in another pixel type.

    Args:
        plane: H x W; codes where ``bits`` is a depth, else a share of 1.
        bits: Depth of its codes; None for half and float.
        kind: Type of the result. Codes are the nearest ones; a share beyond 0 to 1 is clamped to
            them, and NaN is 0. A share in floating point is exact for half to float.
    """
    wanted = PIXEL_TYPES[kind]
    if wanted.bits is None:
        share = plane if bits is None else plane / np.float32(top_code(bits))
        return share.astype(wanted.dtype)
    if bits == wanted.bits:
        return plane
    if bits is None:
        full = np.nan_to_num(np.clip(plane.astype(np.float32), 0.0, 1.0))
        return np.rint(full * top_code(wanted.bits)).astype(wanted.dtype)
    share = plane.astype(np.float64) / top_code(bits)
    return np.rint(share * top_code(wanted.bits)).astype(wanted.dtype)

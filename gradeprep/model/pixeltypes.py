"""The one table of pixel types: names, NumPy types, code depths."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["CODES", "PIXEL_TYPES", "PixelKind", "PixelType", "code_type", "pixel_type", "top_code"]

PixelType = str
"""A name of `PIXEL_TYPES`."""


class PixelKind(NamedTuple):
    """What a name of a pixel type means.

    Attributes:
        dtype: NumPy type of a sample in memory.
        bits: Depth of integer code values, 0 to ``2**bits - 1``; None for types that hold none.
        light: Whether samples are floating-point numbers.
    """

    dtype: np.dtype[Any]
    bits: int | None
    light: bool


PIXEL_TYPES: Mapping[PixelType, PixelKind] = {
    "half": PixelKind(np.dtype(np.float16), None, True),
    "float": PixelKind(np.dtype(np.float32), None, True),
    "uint32": PixelKind(np.dtype(np.uint32), None, False),
    "uint8": PixelKind(np.dtype(np.uint8), 8, False),
    "uint10": PixelKind(np.dtype(np.uint16), 10, False),
    "uint12": PixelKind(np.dtype(np.uint16), 12, False),
    "uint16": PixelKind(np.dtype(np.uint16), 16, False),
}
"""Types that channels have: half and float (IEEE 754 binary16 and binary32), uint32 (identifiers,
as OpenEXR has them), and code values of 8 to 16 bits."""

CODES = tuple(name for name, kind in PIXEL_TYPES.items() if kind.bits is not None)
"""Names of the integer code types."""

_BY_DTYPE = {kind.dtype: name for name, kind in PIXEL_TYPES.items() if kind.bits is None}


def pixel_type(plane: npt.NDArray[Any], bits: int | None) -> PixelType:
    """Name of a plane's type; ``bits`` is the depth of integer code values, else None."""
    return code_type(bits) if bits is not None else _BY_DTYPE[plane.dtype]


def code_type(bits: int) -> PixelType:
    """Name of the integer code type of that depth.

    >>> code_type(10)
    'uint10'
    """
    return f"uint{bits}"


def top_code(bits: int) -> int:
    """Largest code value of an integer type of that many bits."""
    return int(np.left_shift(1, bits)) - 1

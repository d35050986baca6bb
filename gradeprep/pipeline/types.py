"""Names of pixel types to what a kernel works with."""

from __future__ import annotations

from gradeprep.model.pixeltypes import PIXEL_TYPES, PixelType
from gradeprep.pipeline.kernels import Wanted

__all__ = ["kernel_type"]


def kernel_type(name: PixelType) -> Wanted:
    """Dtype and code depth of a named type.

    >>> kernel_type("uint10").bits
    10
    """
    kind = PIXEL_TYPES[name]
    return Wanted(kind.dtype, kind.bits)

"""Names of pixel types to what a kernel works with."""

from __future__ import annotations

import numpy as np

from gradeprep.model.frame import PixelType
from gradeprep.pipeline.kernels import Wanted

__all__ = ["kernel_type"]

_DTYPES = {"half": np.float16, "float": np.float32, "uint32": np.uint32}


def kernel_type(name: PixelType) -> Wanted:
    """Dtype and code depth of a named type.

    >>> kernel_type("uint10").bits
    10
    """
    if name in _DTYPES:
        return Wanted(np.dtype(_DTYPES[name]))
    bits = int(name.removeprefix("uint"))
    return Wanted(np.dtype(np.uint8 if bits == 8 else np.uint16), bits)

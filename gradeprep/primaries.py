"""Published primaries and whites of open standards, and what follows from them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

__all__ = ["AP0", "AP0_TO_XYZ", "AP0_TO_Y", "PUBLISHED", "Chromaticities", "xyz_from_primaries"]

Chromaticities = tuple[float, float, float, float, float, float, float, float]
"""CIE xy of red, green, blue and white, in the order of the OpenEXR attribute."""

AP0: Chromaticities = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)
"""Primaries and white of ACES2065-1 (SMPTE ST 2065-1)."""

AP0_TO_Y = (0.3439664498, 0.7281660966, -0.0721325464)
"""Luminance row of ACES2065-1 (SMPTE ST 2065-1 primaries, SMPTE RP 177 derivation)."""

PUBLISHED: Mapping[str, Chromaticities] = {
    "ST 2065-1 (AP0)": AP0,
    "S-2014-004 (AP1)": (0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767),
    "BT.709": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329),
    "BT.2020": (0.708, 0.292, 0.17, 0.797, 0.131, 0.046, 0.3127, 0.329),
    "P3-D65": (0.68, 0.32, 0.265, 0.69, 0.15, 0.06, 0.3127, 0.329),
}
"""Published primaries and whites of open standards."""


def xyz_from_primaries(published: Chromaticities) -> npt.NDArray[np.float64]:
    """RGB to CIE XYZ of a set of primaries and white (SMPTE RP 177)."""
    xy = np.asarray(published, np.float64).reshape(4, 2)
    xyz = np.column_stack([xy, 1.0 - xy.sum(axis=1)])
    white = xyz[3] / xyz[3, 1]
    scale = np.linalg.solve(xyz[:3].T, white)
    return np.asarray(xyz[:3].T * scale, np.float64)


AP0_TO_XYZ = xyz_from_primaries(AP0)
"""RGB of ACES2065-1 to CIE XYZ, 3 x 3."""

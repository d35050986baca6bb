"""A frame as the server draws it, for pages without WebGL 2."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gradeprep.plugins.contracts import Pixels
from gradeprep.review.encoded import encoded
from gradeprep.review.shown import Screen

__all__ = ["picture"]


def picture(light: Pixels, absent: npt.NDArray[np.bool_], screen: Screen) -> bytes:
    """A PNG of a reduced frame, after its stages, through a view.

    Args:
        light: Scene-linear, float32 H x W x 3, in the working space.
        absent: Pixels without light, H x W; they are shown as a pattern of squares.
        screen: The way to a screen.
    """
    return encoded(screen.picture(light, broken=absent if absent.any() else None), "png")

"""A frame's light at the size of a screen: the mean over areas, in scene-linear light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.plugins.contracts import Pixels
from gradeprep.review.desk.frames import Seen
from gradeprep.review.shown import any_within, reduced, shown_size

__all__ = ["Small", "half_rgba", "small"]

_LARGEST = np.float32(65504.0)


@dataclass(frozen=True, slots=True)
class Small:
    """A frame at a smaller size.

    Attributes:
        light: Scene-linear, float32 H x W x 3, in the working space; 0 where it is absent.
        absent: Pixels that cover some place without light, H x W.
        size: Height and width of the whole picture.
    """

    light: Pixels
    absent: npt.NDArray[np.bool_]
    size: tuple[int, int]

    @property
    def bytes(self) -> int:
        """Bytes that it takes."""
        return self.light.nbytes + self.absent.nbytes


def small(seen: Seen, side: int) -> Small:
    """A frame whose longest side is at most ``side`` pixels; never enlarged."""
    height, width, _ = seen.pixels.shape
    size = shown_size((height, width), side)
    light = reduced(seen.pixels, size)
    if seen.absent is None:
        absent = np.zeros(size, np.bool_)
    else:
        absent = any_within(seen.absent, size)
        light[absent] = 0.0
    return Small(light, absent, (height, width))


def half_rgba(picture: Small) -> bytes:
    """RGBA, four half floats a pixel, little-endian, top row first; alpha 0 where it is absent.

    Light beyond the largest half is sent as that.
    """
    height, width = picture.absent.shape
    rgba = np.empty((height, width, 4), "<f2")
    rgba[..., :3] = np.clip(picture.light, -_LARGEST, _LARGEST)
    rgba[..., 3] = ~picture.absent
    return rgba.tobytes()

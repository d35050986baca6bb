"""A frame's light as a page shows it: the mean over areas at the size of a screen, in scene-linear
light, or a place of it pixel for pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.plugins.contracts import Pixels
from gradeprep.review.desk.frames import DecodedFrame
from gradeprep.review.screen import any_within, reduced, shown_size

__all__ = ["Area", "CloseUp", "Small", "half_rgba", "small"]

_LARGEST = np.float32(65504.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseUp:
    """A place of a frame to be seen pixel for pixel.

    Attributes:
        across: Where its middle is, from 0 at the left edge of the frame to 1 at the right one.
        down: The same from the top to the bottom.
        width: Pixels.
        height: Pixels.
    """

    across: float
    down: float
    width: int
    height: int

    def within(self, size: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of a frame of this height and width, as near as its edges allow.

        >>> CloseUp(across=0.5, down=1.0, width=40, height=20).within((60, 80))
        (slice(40, 60, None), slice(20, 60, None))
        """
        rows = _stretch(self.down, self.height, size[0])
        return rows, _stretch(self.across, self.width, size[1])


def _stretch(middle: float, length: int, whole: int) -> slice:
    length = min(length, whole)
    first = min(max(round(middle * whole - length / 2), 0), whole - length)
    return slice(first, first + length)


Area = int | CloseUp
"""What is to be seen of a frame: all of it, its longest side at most so many pixels; or a place."""


@dataclass(frozen=True, slots=True)
class Small:
    """A frame at a smaller size, or a place of it.

    Attributes:
        light: Scene-linear, float32 H x W x 3, in the working space; 0 where it is absent.
        absent: Pixels that cover some place without light, H x W.
        size: Height and width of the whole picture.
        aspect: Width of a pixel of it over its height.
        corner: Row and column of the whole picture at which a close-up begins.
    """

    light: Pixels
    absent: npt.NDArray[np.bool_]
    size: tuple[int, int]
    aspect: float = 1.0
    corner: tuple[int, int] = (0, 0)

    @property
    def bytes(self) -> int:
        """Bytes that it takes."""
        return self.light.nbytes + self.absent.nbytes


def small(seen: DecodedFrame, area: Area) -> Small:
    """What is to be seen of a frame; never enlarged."""
    height, width, _ = seen.pixels.shape
    if isinstance(area, CloseUp):
        return _close(seen, *area.within((height, width)))
    size = shown_size((height, width), area)
    light = reduced(seen.pixels, size)
    if seen.absent is None:
        absent = np.zeros(size, np.bool_)
    else:
        absent = any_within(seen.absent, size)
        light[absent] = 0.0
    return Small(light, absent, (height, width), seen.aspect)


def _close(seen: DecodedFrame, rows: slice, columns: slice) -> Small:
    light = np.ascontiguousarray(seen.pixels[rows, columns])
    absent = np.zeros(light.shape[:2], np.bool_)
    if seen.absent is not None:
        absent = seen.absent[rows, columns]
    height, width, _ = seen.pixels.shape
    return Small(light, absent, (height, width), seen.aspect, (rows.start, columns.start))


def half_rgba(picture: Small) -> bytes:
    """RGBA, four half floats a pixel, little-endian, top row first; alpha 0 where it is absent.

    Light beyond the largest half is sent as that.
    """
    height, width = picture.absent.shape
    rgba = np.empty((height, width, 4), "<f2")
    rgba[..., :3] = np.clip(picture.light, -_LARGEST, _LARGEST)
    rgba[..., 3] = ~picture.absent
    return rgba.tobytes()

"""Scene-linear light as a screen shows it: reduced, through a show's look, through a view.

Colour goes through OpenColorIO alone: a look after the pull, then the config's display view.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep import looks, showlook
from gradeprep.colour import Colour
from gradeprep.conversions import Convert
from gradeprep.model.order import LookOrder
from gradeprep.plugins.contracts import Pixels

__all__ = ["Bytes", "Screen", "any_within", "reduced", "screen", "shown_size", "strewn"]

Bytes = npt.NDArray[np.uint8]
"""Display-referred pixels, H x W x 3, C-contiguous."""

_SQUARE = 4
_PALE, _DARK = 176, 80
"""The two greys of the squares that stand for pixels which are no numbers."""

_LARGEST = np.float32(65504.0)

_FEW = 16
"""So few summands keep the mean's error under one part in a million in float32."""


@dataclass(frozen=True, slots=True)
class Screen:
    """The way from light to a screen.

    Attributes:
        steps: Conversions in place, in their order.
        title: The same in words, for a caption.
    """

    steps: tuple[Convert, ...]
    title: str

    def picture(
        self,
        light: Pixels,
        *,
        side: int | None = None,
        broken: npt.NDArray[np.bool_] | None = None,
        aspect: float = 1.0,
    ) -> Bytes:
        """A frame as the screen shows it.

        Args:
            light: Scene-linear, float32 H x W x 3, in the working space; left as it is.
            side: Longest side of the picture; smaller frames stay as they are.
            broken: Pixels that are no numbers, H x W, beside those found in ``light``. A picture's
                pixel that covers one of them shows a pattern of squares in two greys instead.
            aspect: Width of the frame's pixels over their height; the picture's are square.

        Returns:
            uint8 H x W x 3. Light beyond the largest half float is shown as that.
        """
        odd = np.asarray(~np.isfinite(light).all(axis=2), np.bool_)
        if broken is not None:
            odd |= broken
        if odd.any():
            light = np.where(odd[..., None], np.float32(0.0), light)
        size = shown_size(light.shape[:2], side, aspect)
        small = np.clip(reduced(light, size), -_LARGEST, _LARGEST)
        for step in self.steps:
            step(small)
        signal = np.clip(np.nan_to_num(small), 0.0, 1.0)
        picture = np.asarray(signal * 255.0 + 0.5, np.uint8)
        return strewn(picture, any_within(odd, size)) if odd.any() else picture


def screen(
    colour: Colour,
    working: str,
    *,
    display: str | None = None,
    view: str | None = None,
    look: LookOrder | None = None,
) -> Screen:
    """The way to a display of the config, through a show's look where there is one.

    Args:
        colour: The config.
        working: Scene-linear space of the light.
        display: A display of the config; its default one when left out.
        view: A view of it; its default one when left out.
        look: The show's look.

    Raises:
        ColourError: Unknown display or view, or one that does not build, as a look may not.
    """
    chosen = looks.find_look(colour, display, view)
    view_step = looks.shown(colour, working, chosen)
    if look is None:
        return Screen((view_step,), str(chosen))
    text = f"look {Path(look.name).name}, then {chosen}"
    return Screen((showlook.looked(colour, working, look), view_step), text)


def shown_size(size: tuple[int, int], side: int | None, aspect: float = 1.0) -> tuple[int, int]:
    """Height and width of a picture whose longest side is at most ``side``; never enlarged.

    Where a pixel's width over its height, ``aspect``, is not 1, the picture is as wide as the lens
    saw it.

    >>> shown_size((2160, 3840), 960)
    (540, 960)
    >>> shown_size((2160, 2560), 960, 2.0)
    (405, 960)
    """
    height, width = size
    if aspect > 1.0:
        height = max(1, round(height / aspect))
    else:
        width = max(1, round(width * aspect))
    long = max(height, width)
    if side is None or long <= side:
        return height, width
    if side < 1:
        raise ValueError(f"a picture of {side} pixels a side is none")
    return max(1, round(height * side / long)), max(1, round(width * side / long))


def reduced(light: Pixels, size: tuple[int, int]) -> Pixels:
    """Area mean of finite light: each new pixel is the mean of what it covers, borders shared.

    Args:
        light: float32 H x W x C.
        size: New height and width, at most the old ones.

    Returns:
        float32, a new array.
    """
    if size == light.shape[:2]:
        return light.astype(np.float32)
    rows = _mean(light, size[0], 0)
    return np.ascontiguousarray(_mean(rows, size[1], 1), np.float32)


def _mean(values: npt.NDArray[np.floating], count: int, axis: int) -> npt.NDArray[np.floating]:
    """Means of ``count`` equal stretches along an axis.

    The first samples of all stretches are weighed and added at once, then the second ones, and so
    on: for the few samples of a usual stretch that takes a tenth of the time of sums by stretch.
    """
    size = values.shape[axis]
    if size == count:
        return values
    edges = np.arange(count + 1, dtype=np.int64) * size  # in parts of a sample: count make one
    begin, end = edges[:-1], edges[1:]
    most = -(-size // count) + 1
    kind = np.float32 if most <= _FEW else np.float64  # many summands add up their roundings
    shape = [1] * values.ndim
    shape[axis] = count
    total = np.zeros((*values.shape[:axis], count, *values.shape[axis + 1 :]), kind)
    for tap in range(most):
        at = begin // count + tap
        covered = np.minimum(end, (at + 1) * count) - np.maximum(begin, at * count)
        share = (np.maximum(covered, 0) / size).astype(kind).reshape(shape)
        total += np.take(values, np.minimum(at, size - 1), axis=axis) * share
    return total


def any_within(mask: npt.NDArray[np.bool_], size: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """A mask at a smaller size: true wherever a new pixel covers a true one, in part even.

    Args:
        mask: H x W, or H x W x C.
        size: New height and width, at most the old ones.
    """
    for axis, count in enumerate(size):
        old = mask.shape[axis]
        if count == old:
            continue
        places = np.arange(count + 1, dtype=np.int64) * old
        first, last = places[:-1] // count, -(-places[1:] // count) - 1
        inside = np.logical_or.reduceat(mask, first, axis=axis)
        mask = inside | np.take(mask, last, axis=axis)
    return mask


def strewn(picture: Bytes, where: npt.NDArray[np.bool_]) -> Bytes:
    """The picture with a pattern of grey squares instead of some pixels: a copy."""
    height, width = where.shape
    rows, columns = np.ogrid[:height, :width]
    squares = np.where((rows // _SQUARE + columns // _SQUARE) % 2, _PALE, _DARK).astype(np.uint8)
    return np.ascontiguousarray(np.where(where[..., None], squares[..., None], picture), np.uint8)

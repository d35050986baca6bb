"""The tone map: every pixel in a colour of its tone, with the scale in stops from grey.

The colours are cividis (Nunez, Anderton, Renslow 2018, "Optimizing colormaps with consideration
for color vision deficiency to enable accurate interpretation of scientific data", PLOS ONE 13(7)),
perceptually uniform and read alike with and without colour blindness, as matplotlib publishes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Pixels
from gradeprep.review.screen import Bytes, any_within, reduced, shown_size, strewn
from gradeprep.review.svgplot import Draw, Inks, needed

__all__ = ["FIRST", "LAST", "colours", "plot_scale", "tone_map"]

FIRST, LAST = -8.0, 6.0
"""Tones at the ends of the scale, in stops from grey; what lies beyond has the colour there."""

_STEP = 0.25


@cache
def colours() -> npt.NDArray[np.uint8]:
    """The table of colours, 256 x 3, sRGB, darkest tone first.

    Raises:
        RequestError: matplotlib is not installed.
    """
    needed()
    from matplotlib import colormaps

    table = np.asarray(colormaps["cividis"](np.arange(256))[:, :3])
    return np.asarray(np.rint(table * 255.0), np.uint8)


def tone_map(
    light: Pixels,
    weights: Sequence[float],
    *,
    side: int | None = None,
    broken: npt.NDArray[np.bool_] | None = None,
    aspect: float = 1.0,
) -> Bytes:
    """A frame in the colours of its tones: uint8 H x W x 3.

    Args:
        light: Scene-linear, float32 H x W x 3, finite.
        weights: Luminance weights of R, G and B.
        side: Longest side of the picture; light is reduced to it before its tone is read.
        broken: Pixels that are no numbers, H x W: squares in two greys.
        aspect: Width of the frame's pixels over their height.
    """
    size = shown_size(light.shape[:2], side, aspect)
    luminance = reduced(light, size) @ np.asarray(weights, np.float32)
    with np.errstate(divide="ignore"):
        tones = np.log2(np.maximum(luminance, 0.0) / np.float32(GREY))
    share = (np.clip(tones, FIRST, LAST) - FIRST) / (LAST - FIRST)
    found = colours()[np.rint(share * 255.0).astype(np.intp)]
    if broken is not None:
        found = strewn(found, any_within(broken, size))
    return np.ascontiguousarray(found)


def plot_scale() -> Draw:
    """Draws the scale: the colours in quarter stops, labelled."""

    def draw(axes: Any, inks: Inks) -> None:
        tones = np.arange(FIRST, LAST, _STEP)
        share = (tones + 0.5 * _STEP - FIRST) / (LAST - FIRST)
        inside = colours()[np.rint(share * 255.0).astype(int)] / 255.0
        axes.bar(tones, 1.0, width=_STEP, align="edge", color=[tuple(row) for row in inside])
        axes.axvline(0.0, color=inks.ink, linewidth=1.2)
        axes.set_xlim(FIRST, LAST)
        axes.set_ylim(0.0, 1.0)
        axes.set_yticks([])
        axes.set_xticks(np.arange(FIRST, LAST + 1.0))
        axes.set_xlabel("tone, stops from grey")
        axes.grid(visible=False)
        for spine in axes.spines.values():
            spine.set_visible(False)

    return draw

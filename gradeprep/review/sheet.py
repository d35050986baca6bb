"""A sheet of panels, two a row: pictures to the pixel, plots beside them, words under both."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from gradeprep.review.screen import Bytes
from gradeprep.review.svgplot import DARK, Draw, dressed, figure, pixels_of

__all__ = ["PANEL", "Panel", "laid_out", "sized"]

Values = TypeVar("Values", bound=np.generic)

PANEL = 760
"""Width of a panel in pixels, and longest side of a picture in it."""

_MARGIN, _GAP, _TOP = 40, 24, 86
_TITLE, _LINE = 30, 19
_PLOT, _STRIP = 330, 64
_ROUND_PLOT, _ROUND_STRIP = (62, 8, 26, 44), (0, 0, 8, 40)
"""Pixels around a plot's axes for its words: left, right, top, bottom."""

_GROUND = "#1a1a1a"
_POINTS = 100
_LETTERS = 112
"""Letters of a caption's line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel of a sheet.

    Attributes:
        title: What it is, in a few words.
        picture: Pixels to lay down as they are, no side over `PANEL`.
        plot: Draws the panel; a strip under the picture where there is one.
        caption: What may be read from it.
    """

    title: str
    picture: Bytes | None = None
    plot: Draw | None = None
    caption: str = ""

    @property
    def height(self) -> int:
        """Pixels it takes, title and caption included."""
        return _TITLE + self.inside + _LINE * len(self.lines) + _GAP

    @property
    def inside(self) -> int:
        """Pixels of its picture and its plot."""
        if self.picture is None:
            return _PLOT
        return len(self.picture) + (0 if self.plot is None else _STRIP)

    @property
    def lines(self) -> list[str]:
        """The caption's lines."""
        return [line for part in self.caption.split("\n") for line in _wrapped(part)]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _LETTERS) if text else []


def sized(values: npt.NDArray[Values]) -> npt.NDArray[Values]:
    """A small picture or mask enlarged to a panel's side, nearest pixels: smoothing hides noise."""
    height, width = values.shape[:2]
    side = max(height, width)
    if side >= PANEL:
        return values
    rows = np.arange(max(1, height * PANEL // side)) * side // PANEL
    columns = np.arange(max(1, width * PANEL // side)) * side // PANEL
    return np.ascontiguousarray(values[rows[:, None], columns[None, :]])


def laid_out(panels: Sequence[Panel], *, title: str, below: str = "") -> Bytes:
    """The sheet: uint8 H x W x 3, sRGB, on near-black.

    Args:
        panels: Left to right, top to bottom; a plot that ends alone in its row fills it.
        title: Stands above all.
        below: A smaller line under the title.

    Raises:
        RequestError: matplotlib is not installed.
    """
    rows = [panels[index : index + 2] for index in range(0, len(panels), 2)]
    heights = [max(panel.height for panel in row) for row in rows]
    width, height = 2 * _MARGIN + 2 * PANEL + _GAP, _TOP + sum(heights) + _MARGIN
    with figure(width / _POINTS, height / _POINTS, points=_POINTS, arranged=False) as made:
        page = _Page(made, width, height)
        page.write(title, _MARGIN, 40, size=15, ink=DARK.ink)
        page.write(below, _MARGIN, 64, size=9.5, ink=DARK.quiet)
        spots = []
        for index, panel in enumerate(panels):
            left = _MARGIN + (index % 2) * (PANEL + _GAP)
            top = _TOP + sum(heights[: index // 2])
            spots.append((left, top + _TITLE))
            alone = index == len(panels) - 1 and index % 2 == 0 and panel.picture is None
            page.lay(panel, left, top, 2 * PANEL + _GAP if alone else PANEL)
        sheet = pixels_of(made, _GROUND).copy()
    for panel, (left, top) in zip(panels, spots, strict=True):
        if panel.picture is not None:
            rows_, columns, _ = panel.picture.shape
            sheet[top : top + rows_, left : left + columns] = panel.picture
    return sheet


class _Page:
    """A figure addressed in pixels from its upper left corner."""

    def __init__(self, made: Any, width: int, height: int) -> None:
        self.made = made
        self.width = width
        self.height = height

    def write(self, text: str, x: int, y: int, *, size: float, ink: str) -> None:
        """Text from the left end of its base line."""
        place = (x / self.width, 1.0 - y / self.height)
        plain = text.replace("$", r"\$")  # a lone one would begin a formula
        self.made.text(*place, plain, fontsize=size, color=ink, va="baseline")

    def lay(self, panel: Panel, left: int, top: int, width: int) -> None:
        """All of a panel but its pixels."""
        self.write(panel.title, left, top + _TITLE - 11, size=11, ink=DARK.ink)
        for index, line in enumerate(panel.lines):
            y = top + _TITLE + panel.inside + _LINE * (index + 1)
            self.write(line, left, y, size=9, ink=DARK.quiet)
        if panel.plot is not None:
            down = 0 if panel.picture is None else panel.picture.shape[0]
            height = _PLOT if panel.picture is None else _STRIP
            around = _ROUND_PLOT if panel.picture is None else _ROUND_STRIP
            box = (left, top + _TITLE + down, width, height)
            self._plot(panel.plot, box, around)

    def _plot(
        self, draw: Draw, box: tuple[int, int, int, int], around: tuple[int, int, int, int]
    ) -> None:
        left, top, width, height = box
        before, after, above, below = around
        axes = self.made.add_axes(
            (
                (left + before) / self.width,
                1.0 - (top + height - below) / self.height,
                (width - before - after) / self.width,
                (height - above - below) / self.height,
            )
        )
        dressed(axes, DARK)
        draw(axes, DARK)

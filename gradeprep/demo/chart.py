"""The targets that stand in every scene: an 18 % grey card and a 24-patch chart.

The table holds what a perfect sensor would record of the chart in AP1 (SMPTE ST 2065-1 white):
the spectral reflectances published with ISO 17321-1, lit by CIE D60 daylight, seen by the CIE
1931 observer, scaled so that a perfect diffuser is 1.0, adapted (CAT02) to the AP1 white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gradeprep.demo.sensor import Picture
from gradeprep.model.stops import GREY

__all__ = ["COLUMNS", "GREY_CARD", "NEUTRALS", "PATCHES", "Rect", "Targets", "place"]

Rect = tuple[int, int, int, int]
"""x, y, width, height in pixels, from the top left corner."""

GREY_CARD = GREY
"""Reflectance of the grey card."""

COLUMNS = 6
"""Patches in a row of the chart."""

PATCHES: dict[str, tuple[float, float, float]] = {
    "dark skin": (0.13798, 0.08490, 0.05593),
    "light skin": (0.46170, 0.32505, 0.23981),
    "blue sky": (0.15188, 0.19498, 0.31636),
    "foliage": (0.11043, 0.14311, 0.06167),
    "blue flower": (0.24283, 0.22951, 0.41546),
    "bluish green": (0.27457, 0.48663, 0.41122),
    "orange": (0.50284, 0.23365, 0.05612),
    "purplish blue": (0.09506, 0.10720, 0.34093),
    "moderate red": (0.38390, 0.12442, 0.12755),
    "purple": (0.08857, 0.05054, 0.13411),
    "yellow green": (0.38572, 0.48443, 0.10409),
    "orange yellow": (0.61383, 0.39195, 0.07954),
    "blue": (0.04691, 0.05017, 0.27490),
    "green": (0.14174, 0.28420, 0.08773),
    "red": (0.29078, 0.05811, 0.04902),
    "yellow": (0.72257, 0.59139, 0.09058),
    "magenta": (0.35937, 0.12172, 0.27796),
    "cyan": (0.08107, 0.22909, 0.36328),
    "white 9.5": (0.88709, 0.88814, 0.87694),
    "neutral 8": (0.58514, 0.58348, 0.58253),
    "neutral 6.5": (0.35820, 0.35812, 0.35871),
    "neutral 5": (0.20310, 0.20300, 0.20349),
    "neutral 3.5": (0.09180, 0.09277, 0.09403),
    "black 2": (0.03311, 0.03359, 0.03503),
}
"""Scene-linear AP1 of each patch at normal exposure, row by row from the top left."""

NEUTRALS = tuple(PATCHES)[-COLUMNS:]
"""Names of the neutral patches, lightest first: the chart's last row."""

_BOARD = 0.012
"""The matt black board that carries both targets."""


@dataclass(frozen=True, slots=True)
class Targets:
    """Where the targets stand in a picture; patches in the order of ``PATCHES``."""

    card: Rect
    patches: tuple[Rect, ...]


def place(picture: Picture, *, corner: tuple[int, int], patch: int) -> Targets:
    """Paint card and chart on their board, in place; all of it must fit into the picture.

    Args:
        picture: H x W x 3 float32, scene-linear AP1; written to.
        corner: x, y of the board's top left pixel.
        patch: Side of one patch in pixels; every other measure follows from it.
    """
    gap = max(1, patch // 5)
    pitch = patch + gap
    height = 4 * pitch + gap
    side = height - 2 * gap
    left, top = corner
    _fill(picture, (left, top, side + COLUMNS * pitch + 3 * gap, height), (_BOARD,) * 3)
    card = (left + gap, top + gap, side, side)
    _fill(picture, card, (GREY_CARD,) * 3)
    chart_left = left + side + 3 * gap
    patches = []
    for index, colour in enumerate(PATCHES.values()):
        row, column = divmod(index, COLUMNS)
        rect = (chart_left + column * pitch, top + gap + row * pitch, patch, patch)
        _fill(picture, rect, colour)
        patches.append(rect)
    return Targets(card=card, patches=tuple(patches))


def _fill(picture: Picture, rect: Rect, colour: tuple[float, float, float]) -> None:
    x, y, width, height = rect
    picture[y : y + height, x : x + width] = np.asarray(colour, np.float32)

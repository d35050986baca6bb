"""Finds 24-patch charts in a picture, with the optional package that can."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.meters.grid import HALF_GAP, Corners, shrunk
from gradeprep.plugins.contracts import Pixels

__all__ = ["find"]

_WHITE = 99.0
"""Percentile of the picture that is brought to display white."""


def find(picture: Pixels) -> list[Corners]:
    """Corners of what looks like a chart, in pixels; in which order round it is not known.

    The package looks for a cluster of two dozen squares in a display-referred picture. It finds
    charts of a quarter to three quarters of the picture's width (measured on simulated plates).

    Raises:
        ValueError: The package is not installed.
    """
    segment = _segmenter()
    if picture.shape[0] > picture.shape[1]:  # it would turn an upright picture on its side
        wide = ((0, 0), (0, picture.shape[0] - picture.shape[1]), (0, 0))
        picture = np.pad(picture, wide)
    white = float(np.percentile(picture, _WHITE))
    if not white > 0.0:
        return []
    shown = np.clip(picture / np.float32(white), 0.0, 1.0)
    return [_corners(box, picture.shape[1]) for box in segment(shown)]


def _segmenter() -> Callable[[Pixels], npt.NDArray[Any]]:
    """The package's segmentation; its import talks, warns and changes how numpy prints."""
    try:
        with warnings.catch_warnings(), np.printoptions():
            warnings.simplefilter("ignore")
            from colour_checker_detection import segmenter_default
    except ImportError as error:
        raise ValueError(
            f"finding a chart by itself needs more packages ({error}): "
            "pip install 'gradeprep[chart]', or give its corners"
        ) from error

    def segment(shown: Pixels) -> npt.NDArray[Any]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return np.asarray(segmenter_default(shown))

    return segment


def _corners(box: npt.NDArray[Any], width: int) -> Corners:
    """From the package's working picture, 1440 wide, with half a gap around the patches."""
    points = np.asarray(box, np.float64) * (width / 1440.0)
    first, second, third, fourth = ((float(x), float(y)) for x, y in points)
    return shrunk((first, second, third, fourth), HALF_GAP)

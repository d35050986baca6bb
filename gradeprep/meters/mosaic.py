"""A frame as a mosaic of small blocks: less noise, less to compare, small shifts forgiven."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.clips.clipped import Clipped
from gradeprep.meters.patches import pieces_of
from gradeprep.meters.region import Region, refuse_small
from gradeprep.plugins.contracts import PlateView, Scale

__all__ = ["Mosaic", "mosaic"]

_ACROSS = 96
_SIDE = 4
_TILES = 4
_SURE = 10.0
"""Signal-to-noise ratio under which a block's logarithm is biased by its own noise."""


@dataclass(frozen=True, slots=True)
class Mosaic:
    """Blocks of a frame, row by row.

    Attributes:
        size: Width and height of the picture that was cut, in pixels.
        rgb: Mean of each block, N x 3, scene-linear in the working space.
        luminance: Its luminance, N.
        error: One sigma of the luminance, in stops, from the block's own spread and the step
            between codes. Texture counts as noise, so that flat blocks, which a small shift
            hardly changes, count most.
        clipped: Blocks with a clipped sample.
        lit: Blocks whose luminance is at least ten times its noise, and ten times a code's step.
        tile: Which of 4 x 4 tiles of the picture each block lies in.
    """

    size: tuple[int, int]
    rgb: npt.NDArray[np.float64]
    luminance: npt.NDArray[np.float64]
    error: npt.NDArray[np.float64]
    clipped: npt.NDArray[np.bool_]
    lit: npt.NDArray[np.bool_]
    tile: npt.NDArray[np.intp]

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Blocks that are lit and not clipped."""
        return self.lit & ~self.clipped

    def without_each_tile(self) -> Iterator[Mosaic]:
        """The blocks with one tile left out, for each tile in turn."""
        for tile in range(_TILES**2):
            keep = self.tile != tile
            yield replace(
                self,
                **{
                    name: getattr(self, name)[keep]
                    for name in ("rgb", "luminance", "error", "clipped", "lit", "tile")
                },
            )


def mosaic(plate: PlateView, frame: int, region: Region | None) -> Mosaic:
    """Cut a frame, or a region of it, into about a hundred blocks across, of 4 pixels at least.

    Raises:
        ValueError: The region reaches out of the picture, or is too small.
    """
    if region is None:
        pixels, recorded = plate.pixels(frame), plate.recorded(frame)
    else:
        pixels, recorded = plate.region(frame, region), plate.region_recorded(frame, region)
    clips = Clipped.of(plate, frame)
    height, width = pixels.shape[:2]
    refuse_small((height // _SIDE) * (width // _SIDE) * _SIDE, "picture")
    side = max(_SIDE, width // _ACROSS)
    while min(height, width) // side < _TILES and side > 1:
        side -= 1
    weights = np.asarray(plate.weights, np.float32)
    light = _blocks((pixels @ weights)[..., None], side)
    lost = clips.whole() if region is None else clips.region(region)
    rgb = _blocks(pixels, side).mean(axis=(1, 3), dtype=np.float64)
    luminance = rgb @ np.asarray(plate.weights)
    noise = light.std(axis=(1, 3), dtype=np.float64)[..., 0] / side
    step = _step(_blocks(recorded, side).mean(axis=(1, 3, 4), dtype=np.float64), plate.scale)
    lit = (luminance > _SURE * noise) & (luminance > 0.0) & (step * math.log(2.0) * _SURE < 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.hypot(noise / luminance / math.log(2.0), step / math.sqrt(12.0))
    return Mosaic(
        size=(width, height),
        rgb=rgb.reshape(-1, 3),
        luminance=luminance.ravel(),
        error=np.where(lit, error, np.inf).ravel(),
        clipped=_blocks(lost, side).any(axis=(1, 3, 4)).ravel(),
        lit=lit.ravel(),
        tile=pieces_of(*luminance.shape).ravel(),
    )


def _blocks(picture: npt.NDArray[np.generic], side: int) -> npt.NDArray[Any]:
    """Rows x side x columns x side x channels; what is left over at the ends is left out."""
    rows, columns = picture.shape[0] // side, picture.shape[1] // side
    whole = picture[: rows * side, : columns * side]
    return whole.reshape(rows, side, columns, side, picture.shape[2])


def _step(recorded: npt.NDArray[np.float64], scale: Scale) -> npt.NDArray[np.float64]:
    """Distance of two neighbouring codes at each level, in stops; infinite in the black."""
    if not scale.step:
        return np.zeros_like(recorded)
    low, high = scale.tone(recorded), scale.tone(recorded + scale.step)
    return np.where(np.isfinite(low), high, np.inf) - np.where(np.isfinite(low), low, 0.0)

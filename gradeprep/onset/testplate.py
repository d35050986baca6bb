"""Measurements on a test plate: the camera's clip, and the brightest thing's stops over grey."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from gradeprep.checks.clipping import ClippingParams, ceilings
from gradeprep.clips.clipped import Clipped
from gradeprep.errors import RequestError
from gradeprep.model.documents.headroom import SceneBrightness, SceneCeiling
from gradeprep.pipeline.metering import read_plate
from gradeprep.plugins.contracts import PlateView

__all__ = ["measured_ceiling", "measured_scene"]

_SOURCES: Mapping[str, tuple[Literal["plateau", "sensor", "encodable"], str]] = {
    "plateau": ("plateau", "plateau"),
    "sensor": ("sensor", "full sensor channel"),
    "encodable": ("encodable", "end of the encoding"),
}

_FRAMES = 5

_CLIPPED = 0.01
"""Largest share of a region that may be clipped."""


def measured_ceiling(plate: PlateView) -> SceneCeiling:
    """The clip that a plate shows, in stops above grey: that of the channel that clips first.

    Behind a colour matrix it is the level of the sensor's channel, as a neutral reaches it. The
    end of an encoding that the plate reaches counts, too; the sensor may clip below it.

    Raises:
        RequestError: No clipping is found in the plate.
    """
    found = ceilings(plate, ClippingParams())
    reached = [(one.stops, name, one) for name, one in zip("RGB", found, strict=True) if one]
    if not reached:
        raise RequestError(
            "no clipping found in the plate, so the camera's ceiling is unknown",
            key="--plate",
            remedy="use a plate with a clipped area, or state the clip with --clip",
        )
    stops, name, lowest = min(reached, key=lambda each: each[0])
    source, words = _SOURCES[lowest.kind]
    return SceneCeiling(stops=stops, source=source, how=f"{words} of {name} in {plate.shot}")


def measured_scene(
    plate: PlateView, *, grey: Sequence[float], bright: Sequence[float]
) -> SceneBrightness:
    """Stops of the brightest thing in a plate above a grey card in it.

    The meter `grey_card` reads the card. The brightest thing is the median of its brightest
    channel, which clips first.

    Args:
        plate: The plate, at any exposure.
        grey: Region of the card: x, y, width, height in pixels or fractions.
        bright: Region of the brightest thing.

    Raises:
        RequestError: A region is not in the picture, the card cannot be read, or the brightest
            thing clips.
    """
    card = read_plate(plate, "grey_card", {"region": list(grey)})
    levels = []
    for frame in plate.sample(_FRAMES):
        try:
            recorded = plate.region_recorded(frame, bright)
        except ValueError as error:
            raise RequestError(str(error), key="--bright-region") from error
        mask = Clipped.of(plate, frame).region(bright)
        clipped = float(mask.any(axis=-1).mean())
        if clipped > _CLIPPED:
            raise RequestError(
                f"{clipped:.0%} of the region is clipped in frame {frame}, so its brightness is "
                "unknown",
                key="--bright-region",
                remedy="record a darker test plate",
            )
        levels.append(np.median(recorded.reshape(-1, 3), axis=0).max())
    brightest = float(plate.scale.tone(np.asarray([np.median(levels)]))[0])
    if not np.isfinite(brightest):
        raise RequestError(
            "the region is black",
            key="--bright-region",
            remedy="give the region of the brightest thing",
        )
    return SceneBrightness(
        bright=brightest + card.stops,
        how=f"regions of {plate.shot}, sigma {card.sigma:.2f} of the card",
    )

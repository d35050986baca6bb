"""What a test plate tells: where the camera clips, and how far the brightest thing is over grey."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gradeprep.checks.clipping import ClippingParams, ceilings
from gradeprep.clips.ceilings import clip_mask
from gradeprep.errors import RequestError
from gradeprep.model.advised import Ceiling, Scene
from gradeprep.pipeline.metering import read_plate
from gradeprep.plugins.contracts import PlateView

__all__ = ["measured_ceiling", "measured_scene"]

_FRAMES = 5

_CLIPPED = 0.01
"""Share of a region that may clip before it tells too little of how bright it is."""


def measured_ceiling(plate: PlateView) -> Ceiling:
    """The clip that a plate shows, in stops above grey: that of the channel that clips first.

    Raises:
        RequestError: Nothing in the plate clips.
    """
    found = ceilings(plate, ClippingParams())
    reached = [(one.stops, name, one) for name, one in zip("RGB", found, strict=True) if one]
    if not reached:
        raise RequestError(
            "nothing in the plate clips, so it does not tell where the camera does",
            key="--plate",
            remedy="bring a plate with something clipped in it, or state the clip with --clip",
        )
    stops, name, lowest = min(reached, key=lambda each: each[0])
    seen = "plateau" if lowest.kind == "plateau" else "end of the encoding"
    return Ceiling(
        stops=stops,
        source="plateau" if lowest.kind == "plateau" else "encodable",
        how=f"{seen} of {name} in {plate.shot}",
    )


def measured_scene(plate: PlateView, *, grey: Sequence[float], bright: Sequence[float]) -> Scene:
    """How far the brightest thing in a plate stands above a grey card in it.

    The card is read by the meter `grey_card`; the brightest thing by the median of its brightest
    channel, which is the one to clip first.

    Args:
        plate: The plate, at whatever exposure.
        grey: Region of the card: x, y, width, height in pixels or fractions.
        bright: Region of the brightest thing.

    Raises:
        RequestError: A region is none, the card cannot be read, or the bright thing clips.
    """
    card = read_plate(plate, "grey_card", {"region": list(grey)})
    found = ceilings(plate, ClippingParams())
    levels = []
    for frame in plate.sample(_FRAMES):
        try:
            recorded = plate.region_recorded(frame, bright)
        except ValueError as error:
            raise RequestError(str(error), key="--bright-region") from error
        clipped = float(clip_mask(recorded, found).any(axis=-1).mean())
        if clipped > _CLIPPED:
            raise RequestError(
                f"{clipped:.0%} of the region clips in frame {frame}, so it is brighter than the "
                "plate tells",
                key="--bright-region",
                remedy="take the test plate darker",
            )
        levels.append(np.median(recorded.reshape(-1, 3), axis=0).max())
    brightest = float(plate.scale.tone(np.asarray([np.median(levels)]))[0])
    if not np.isfinite(brightest):
        raise RequestError(
            "the region is black", key="--bright-region", remedy="name the brightest thing's place"
        )
    return Scene(
        bright=brightest + card.stops,
        how=f"regions of {plate.shot}, sigma {card.sigma:.2f} of the card",
    )

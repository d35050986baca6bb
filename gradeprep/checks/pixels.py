"""Check: samples that are no light: NaN, infinite, negative in bulk, or stuck."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from gradeprep.checks import stuck
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.plugins.contracts import PlateView

__all__ = ["Pixels", "PixelsParams"]

_SHOWN = 8


class PixelsParams(BaseModel):
    """Parameters of the pixels check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field("warn", description="Severity of a finding")
    max_negative: float = Field(
        0.05, ge=0.0, le=1.0, description="Share of negative samples that is still noise, 0..1"
    )
    frames: int = Field(
        12,
        ge=0,
        description="Number of frames to look for stuck pixels on, evenly spread; "
        f"fewer than {stuck.LEAST} look for none",
    )


class Pixels:
    """Counts non-finite and negative samples frame by frame, and pixels stuck over the frames.

    Places are in pixels of the data window.
    """

    name = "pixels"
    summary = "samples that are NaN, infinite, negative in bulk, or stuck"
    Params = PixelsParams

    def look(self, plate: PlateView, params: PixelsParams) -> Iterator[Finding]:
        """One finding a frame and fault; one for all stuck pixels."""

        def count(frame: int) -> tuple[int, float]:
            pixels = plate.pixels(frame)
            negative = float(np.count_nonzero(pixels < 0.0)) / max(1, pixels.size)
            return plate.nonfinite(frame), negative

        for frame, (bad, share) in zip(plate.frames, plate.each(plate.frames, count), strict=True):
            if bad:
                yield Finding(
                    severity=params.on,
                    what=f"{bad} samples are NaN or infinite",
                    frame=frame,
                    numbers={"samples": bad},
                    remedy="paint them out, or keep them knowingly (nonfinite: keep)",
                )
            if share > params.max_negative:
                yield Finding(
                    severity=params.on,
                    what=f"{share:.1%} of the samples are negative",
                    frame=frame,
                    numbers={"share": share},
                    remedy="look whether the colour space named is the one recorded",
                )
        if params.frames >= stuck.LEAST:
            yield from _stuck(plate, plate.sample(params.frames), params)


def _stuck(plate: PlateView, frames: FrameRange, params: PixelsParams) -> Iterator[Finding]:
    places = stuck.find(plate, frames)
    if not places:
        return
    count = len({(place.x, place.y) for place in places})
    shown = ", ".join(f"{place.x},{place.y} {place.channel}" for place in places[:_SHOWN])
    more = ", ..." if len(places) > _SHOWN else ""
    yield Finding(
        severity=params.on,
        what=f"{count} {'pixels are' if count > 1 else 'pixel is'} stuck: {shown}{more}",
        numbers={
            "pixels": count,
            "samples": len(places),
            "places": [[place.x, place.y, place.channel] for place in places[:_SHOWN]],
            "frames": str(frames),
        },
        remedy="paint them out before the pull",
    )

"""Meter: another shot of the same scene, whose exposure is decided already."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from gradeprep.meters.align import Difference, by_place, by_tones
from gradeprep.meters.mosaic import mosaic
from gradeprep.meters.overshot import combine, frames_to_read, look_at
from gradeprep.meters.patches import RGB
from gradeprep.meters.region import Level, Region, level
from gradeprep.model.record import Reading
from gradeprep.plugins.contracts import PlateView

__all__ = ["Reference", "ReferenceParams"]

_WEAK = 1.0 / 3.0
_MIX = (
    "mode tones supposes that both pictures hold the same mix of tones; compare a surface with "
    "region where both show one"
)


class ReferenceParams(BaseModel):
    """Parameters of the reference meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    shot: str = Field(description="Name of the reference shot in the recipe")
    mode: Literal["region", "frame", "tones"] = Field(
        "region",
        description="What is compared: one surface; all of two frames of one framing; or the "
        "distributions of tones, where the framing moved",
    )
    region: Region | None = Field(
        None,
        description="x, y, width, height of the surface, or of the part to compare, in pixels of "
        "the display window or fractions; all of the frame when left out",
    )
    reference_region: Region | None = Field(
        None, description="The same in the reference; the same place when left out"
    )
    frame: int | None = Field(
        None, description="Frame to read; up to five over the shot when left out"
    )
    reference_frame: int | None = Field(
        None, description="Frame of the reference to read; up to five when left out"
    )
    max_gradient: float = Field(
        0.5, gt=0.0, description="Mode region: largest difference between quarters, in stops"
    )
    min_snr: float = Field(
        3.0, ge=1.0, description="Mode region: least signal-to-noise ratio of a pixel"
    )
    max_spread: float = Field(
        0.5, gt=0.0, description="Modes frame and tones: largest spread of the ratio, in stops"
    )

    @model_validator(mode="after")
    def _needs_region(self) -> ReferenceParams:
        if self.mode == "region" and self.region is None:
            raise ValueError("name the surface with region, or say mode: frame or mode: tones")
        return self


class Reference:
    """Reads the stops that bring a plate to where the reference shot's pull brings that.

    Three modes. *region* compares one surface; sigma is the two levels' standard errors.
    *frame* compares all of two frames of one framing, place by place (`align.by_place`). *tones*
    compares distributions where the framing moved (`align.by_tones`); its sigma is larger and
    covers what the framing changed, as far as the pictures show; over a third of a stop the reading
    is weak. Over several frames, sigma is as `overshot.combine` says.

    The balance matches the reference's colour and leaves exposure alone.
    """

    name = "reference"
    summary = "another shot of the scene: a surface, the whole frame, or its tones"
    Params = ReferenceParams

    def read(self, plate: PlateView, params: ReferenceParams) -> Reading:
        """Stops from the picture here to the normalized reference."""
        if params.shot == plate.shot:
            raise ValueError("a shot cannot be its own reference")
        other = plate.other(params.shot)
        if params.mode == "region":
            return _from_surface(plate, other, params)
        return _from_pictures(plate, other, params)


def _from_surface(plate: PlateView, other: PlateView, params: ReferenceParams) -> Reading:
    assert params.region is not None
    frames = frames_to_read(plate, params.frame)
    other_frames = frames_to_read(other, params.reference_frame)
    here = _levels(plate, frames, params.region, params)
    there = _levels(other, other_frames, params.reference_region or params.region, params)
    pulled = [other.exposure(frame) for frame in other_frames]
    now = combine(frames, [math.log2(p.patch.luminance) for p in here], _sigmas(here))
    target = [math.log2(p.patch.luminance) + s for p, s in zip(there, pulled, strict=True)]
    wanted = combine(other_frames, target, _sigmas(there))
    return Reading(
        meter=Reference.name,
        stops=wanted.stops - now.stops,
        sigma=math.hypot(now.sigma, wanted.sigma),
        balance=_balance(here, there, plate.weights),
        evidence={
            "mode": params.mode,
            "here": [found.evidence for found in here],
            "reference": {
                "shot": params.shot,
                "frames": [
                    {**found.evidence, "pull_stops": stops}
                    for found, stops in zip(there, pulled, strict=True)
                ],
            },
        },
        warnings=(*now.warnings, *(f"{params.shot}: {given}" for given in wanted.warnings)),
    )


def _levels(
    plate: PlateView, frames: Sequence[int], region: Region, params: ReferenceParams
) -> list[Level]:
    def look(frame: int) -> Level:
        return level(plate, frame, region, max_gradient=params.max_gradient, min_snr=params.min_snr)

    return look_at(plate, frames, look)


def _sigmas(levels: list[Level]) -> list[float]:
    return [found.patch.sigma for found in levels]


def _balance(here: list[Level], there: list[Level], weights: RGB) -> RGB | None:
    """Per-channel stops that match the surfaces' colours, the exposure set aside."""
    colours = [[found.patch.rgb for found in side] for side in (here, there)]
    if min(min(rgb) for side in colours for rgb in side) <= 0.0:
        return None
    one, other = (np.exp(np.mean(np.log(side), axis=0)) for side in colours)
    ratio = float(np.dot(one, weights) / np.dot(other, weights))
    red, green, blue = (float(value) for value in np.log2(other * ratio / one))
    return (red, green, blue)


def _from_pictures(plate: PlateView, other: PlateView, params: ReferenceParams) -> Reading:
    frames = frames_to_read(plate, params.frame)
    pairs = dict(zip(frames, _partners(other, len(frames), params), strict=True))

    def look(frame: int) -> Difference:
        align = by_place if params.mode == "frame" else by_tones
        return align(
            mosaic(plate, frame, params.region),
            mosaic(other, pairs[frame], params.reference_region or params.region),
            max_spread=params.max_spread,
        )

    found = look_at(plate, frames, look)
    pulled = [other.exposure(pairs[frame]) for frame in frames]
    stops = [each.stops + pull for each, pull in zip(found, pulled, strict=True)]
    combined = combine(frames, stops, [each.sigma for each in found])
    sigma = combined.sigma
    lines = [*dict.fromkeys(lines for each in found for lines in each.warnings), *combined.warnings]
    if params.mode == "tones":  # what the framing changed, it changed in every frame alike
        sigma = max(sigma, *(each.sigma for each in found))
        lines.insert(0, _MIX)
    return Reading(
        meter=Reference.name,
        stops=combined.stops,
        sigma=sigma,
        weak=sigma > _WEAK,
        balance=_mean_balance(found),
        evidence={
            "mode": params.mode,
            "reference": params.shot,
            "scatter_stops": combined.scatter,
            "frames": [
                {"frame": frame, "reference_frame": pairs[frame], "pull_stops": pull}
                | each.evidence
                for frame, pull, each in zip(frames, pulled, found, strict=True)
            ],
        },
        warnings=tuple(lines),
    )


def _partners(other: PlateView, count: int, params: ReferenceParams) -> list[int]:
    """A frame of the reference for each of ``count`` frames, spread over it likewise."""
    chosen = frames_to_read(other, params.reference_frame)
    places = np.linspace(0, len(chosen) - 1, count).round().astype(int)
    return [chosen[place] for place in places]


def _mean_balance(found: list[Difference]) -> RGB | None:
    balances = [each.balance for each in found if each.balance is not None]
    if len(balances) < len(found):
        return None
    red, green, blue = (float(value) for value in np.mean(balances, axis=0))
    return (red, green, blue)

"""The ceiling of each channel of a plate: stated, the end of the encoding, or seen in its light."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from gradeprep.clips.light import Curve
from gradeprep.clips.planes import Plane
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Pixels, Scale

__all__ = ["Ceiling", "at", "clip_mask", "encodable", "of_plane", "tone_of"]

Kind = Literal["stated", "encodable", "plateau", "sensor", "flat"]

_MARGIN = 0.002
"""How far under a plane's level, relative, a sample counts as clipped, besides its thickness."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """A value that a channel does not pass.

    Attributes:
        kind: ``stated`` by the user, ``encodable`` by the recording, ``plateau`` seen in the
            plate's recorded values, ``sensor`` seen in light that has lost its photon noise, or
            ``flat`` where a plateau is as likely to be a drawn colour.
        value: The ceiling as recorded value of a neutral.
        floor: Recorded value from which on a sample counts as clipped: a little lower, for
            rounding, and for ripple on a plateau.
        stops: The ceiling in stops above grey, read as a neutral; in the middle of the picture.
        plane: The plane in RGB in which it lies, where no recorded channel ends by itself.
        curve: Linear light of recorded values, with a plane.
    """

    kind: Kind
    value: float
    floor: float
    stops: float
    plane: Plane | None = None
    curve: Curve | None = None


def clip_mask(
    recorded: Pixels, found: Sequence[Ceiling | None], *, part: bool = False
) -> npt.NDArray[np.bool_]:
    """Which samples are clipped: H x W x 3 bool.

    Args:
        recorded: The frame as recorded, H x W x 3.
        found: Ceiling of R, G and B; None for a channel that has none.
        part: Whether it is a part of the frame from an unknown place: where shading bends the
            ceiling, samples count as clipped from the highest level on.
    """
    floors = [math.inf if one is None or one.plane else one.floor for one in found]
    mask = np.asarray(recorded >= np.asarray(floors, np.float32))
    light: Pixels | None = None
    for channel, one in enumerate(found):
        if one is None or one.plane is None or one.curve is None:
            continue
        light = one.curve(recorded) if light is None else light
        level = light @ one.plane.direction.astype(np.float32)
        mask[..., channel] = level >= _floor(one.plane, recorded.shape, part=part)
    return mask


def _floor(plane: Plane, shape: tuple[int, ...], *, part: bool) -> npt.NDArray[np.float32]:
    """Light from which a sample lies in a plane: 1 x 1, or H x W where shading bends it."""
    base = plane.level * (1.0 - 3.0 * plane.thickness - _MARGIN)
    if part:
        base *= math.exp(plane.bend)
    if part or not plane.bend:
        return np.full((1, 1), base, np.float32)
    height, width = shape[:2]
    half = math.hypot(height, width) / 2.0
    y = ((np.arange(height) + 0.5 - height / 2.0) / half) ** 2
    x = ((np.arange(width) + 0.5 - width / 2.0) / half) ** 2
    return np.asarray(base * np.exp(plane.bend * (y[:, None] + x[None, :])), np.float32)


def of_plane(plane: Plane, channel: int, curve: Curve) -> Ceiling:
    """The ceiling that a plane is."""
    level = plane.level
    stops = math.log2(level / GREY)
    if plane.upright(channel):
        floor = curve.back(level * (1.0 - 3.0 * plane.thickness - _MARGIN))
        return Ceiling("plateau", curve.back(level), floor, stops)
    return Ceiling("sensor", curve.back(level), curve.back(level), stops, plane, curve)


def encodable(scale: Scale, highest: float) -> Ceiling | None:
    """The end of the encoding; None where a plate's highest sample passes it."""
    # Floats may pass the end of a log curve; then it is none.
    if scale.ceiling is None or highest > scale.ceiling * (1.0 + 1e-6):
        return None
    return at("encodable", scale.ceiling, scale)


def at(kind: Literal["stated", "encodable"], value: float, scale: Scale) -> Ceiling:
    """A ceiling at a recorded value."""
    floor = value - 0.5 * scale.step if scale.step else value * (1.0 - 1e-5)
    return Ceiling(kind, value, floor, tone_of(scale, value))


def tone_of(scale: Scale, value: float) -> float:
    """Stops from grey of a neutral's recorded value."""
    return float(scale.tone(np.asarray([value]))[0])

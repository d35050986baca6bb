"""The camera's setting in a frame's header.

EXR, the standard attributes of the OpenEXR library: ``expTime`` (seconds), ``captureRate`` and
``framesPerSecond``; ``tStop``, ``fNumber`` or ``fStop``, and ``aperture``, which may be an f-number
or a T-stop; ``isoSpeed``. ACES containers (SMPTE ST 2065-4) have ``expTime``, ``captureRate``,
``framesPerSecond``, ``aperture`` (an f-number or a T-stop) and ``isoSpeed`` with the same meaning:
aces_attributestructs.h of the Academy's reference writer, ampas/aces_container. DPX (SMPTE ST 268)
has a shutter angle and rates, and no place for an aperture or an index.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from gradeprep import photometry

__all__ = ["APERTURES", "Camera", "camera_of"]

APERTURES = ("tStop", "fNumber", "fStop", "aperture")
"""Attributes that state an aperture, the plainest first."""


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera's setting; what the header does not state is None.

    Attributes:
        apertures: Attribute to its number, as stored.
        seconds: Time the shutter was open.
        index: Exposure index.
        rate: Frames per second.
    """

    apertures: Mapping[str, float]
    seconds: float | None
    index: float | None
    rate: Fraction | None

    @property
    def evidence(self) -> dict[str, float | dict[str, float]]:
        """Its content as plain data."""
        data = {"time_s": self.seconds, "index": self.index, "rate_fps": self.rate}
        found: dict[str, float | dict[str, float]] = {
            name: float(value) for name, value in data.items() if value is not None
        }
        return {**self.apertures, **found}


def camera_of(header: Mapping[str, Any]) -> Camera:
    """The setting in a header, as an EXR or a DPX codec reads it.

    A number stored in single precision is taken for the shortest decimal that is stored as it:
    0.02 s, not 0.0199999996 s. Zero, negative and non-finite numbers are what writers leave where
    they are unknown, and count as absent.

    Raises:
        ValueError: A shutter angle that cannot be, or a rate.
    """
    rate = _rate(header)
    apertures = {name: value for name in APERTURES if (value := _number(header, name)) is not None}
    return Camera(apertures, _seconds(header, rate), _number(header, "isoSpeed"), rate)


def _rate(header: Mapping[str, Any]) -> Fraction | None:
    for name in ("captureRate", "framesPerSecond"):
        if isinstance(found := header.get(name), Fraction) and found > 0:
            return found
    text = header.get("rate")  # the DPX codec's exact one
    return photometry.frame_rate(text) if isinstance(text, str) else None


def _seconds(header: Mapping[str, Any], rate: Fraction | None) -> float | None:
    seconds = _number(header, "expTime")
    angle = _number(header, "shutter_angle")
    if seconds is not None or angle is None or rate is None:
        return seconds
    return float(photometry.seconds_from_angle(angle, rate=rate))


def _number(header: Mapping[str, Any], name: str) -> float | None:
    stored = header.get(name)
    if isinstance(stored, np.ndarray) and stored.size == 1 and stored.dtype == np.float64:
        value = float(stored.item())
    elif isinstance(stored, float | int | np.number) and not isinstance(stored, bool):
        value = _shortest(float(stored))
    else:
        return None
    return value if math.isfinite(value) and value > 0.0 else None


def _shortest(value: float) -> float:
    """The shortest decimal that single precision stores as this value, if it is single."""
    with np.errstate(over="ignore", under="ignore"):
        single = np.float32(value)
    return float(str(single)) if float(single) == value else value

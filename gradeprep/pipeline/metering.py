"""Running a meter: once for a plate, or frame by frame for exposure that changes over time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from gradeprep import crashreport
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.model.exposure import Keys
from gradeprep.model.record import Reading
from gradeprep.model.wording import filled
from gradeprep.pipeline.curve import ExposureCurve, curve
from gradeprep.plugins.calling import calling, misbehaved
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed

__all__ = ["OverTime", "read_frames", "read_plate"]


@dataclass(frozen=True, slots=True)
class OverTime:
    """A plate read frame by frame.

    Attributes:
        readings: Frame to its reading.
        failed: Frame to the reason why it gave none.
        curve: What the readings come down to.
    """

    readings: Mapping[int, Reading]
    failed: Mapping[int, str]
    curve: ExposureCurve

    @property
    def keys(self) -> Keys:
        """The curve as a pull takes it."""
        return Keys(at=dict(self.curve.keys))

    @property
    def summary(self) -> Reading:
        """One reading that stands for all: the first key, and how far the keys are from it all."""
        first = next(iter(self.readings.values()))
        sigmas = [reading.sigma for reading in self.readings.values()]
        return Reading(
            meter=first.meter,
            stops=self.curve.keys[min(self.curve.keys)],
            sigma=math.hypot(max(sigmas), self.curve.flicker),
            weak=first.weak,
            evidence={
                "frames": {str(n): [r.stops, r.sigma] for n, r in self.readings.items()},
                "keys": {str(n): stops for n, stops in self.curve.keys.items()},
                "flicker": self.curve.flicker,
                "failed": {str(n): why for n, why in self.failed.items()},
            },
            warnings=(*self.curve.warnings, *first.warnings),
        )


def read_plate(view: PlateView, meter: str, params: Mapping[str, Any]) -> Reading:
    """One reading of a plate.

    Raises:
        RequestError: The meter is unknown, its parameters are wrong, or it cannot give an honest
            number.
        PlateError: A frame cannot be read.
    """
    plugin = installed().get("meters", meter)
    text = f"meter {meter}"
    with calling("meters", meter, shot=view.shot), crashreport.at(text, shot=view.shot):
        reading = plugin.read(view, filled(plugin.Params, params, key=text))
    if not isinstance(reading, Reading):
        what = f"returned {type(reading).__name__}, not a Reading"
        raise misbehaved("meters", meter, what, shot=view.shot)
    return reading


def read_frames(view: PlateView, meter: str, params: Mapping[str, Any]) -> OverTime:
    """A reading of every frame, and the curve they come down to.

    Frames without an honest reading are left out and listed.

    Raises:
        RequestError: The plate has one frame, or too few frames gave a reading.
    """
    plugin = installed().get("meters", meter)
    if "frame" not in plugin.Params.model_fields:
        raise RequestError(
            f"meter {meter} does not read single frames", shot=view.shot, key="per_frame"
        )
    if len(view.frames) < 2:
        raise RequestError(
            "the plate has one frame, so nothing changes over time",
            shot=view.shot,
            key="per_frame",
            remedy="leave per-frame reading out",
        )

    def read(frame: int) -> Reading | str:
        try:
            return read_plate(view, meter, {**params, "frame": frame})
        except GradeprepError as error:
            return error.what

    found = dict(zip(view.frames, view.each(view.frames, read), strict=True))
    readings = {n: r for n, r in found.items() if isinstance(r, Reading)}
    failed = {n: r for n, r in found.items() if isinstance(r, str)}
    if len(readings) < 2:
        raise RequestError(
            f"{len(readings)} of {len(found)} frames gave a reading; the first reason: "
            f"{next(iter(failed.values()))}",
            shot=view.shot,
            key=f"meter {meter}",
        )
    try:
        found_curve = curve(
            list(readings),
            [reading.stops for reading in readings.values()],
            _scatter(readings.values()),
        )
    except ValueError as error:
        raise RequestError(str(error), shot=view.shot, key="per_frame") from error
    return OverTime(readings, failed, found_curve)


_MAD_TO_SIGMA = 1.482602219
"""Normal distribution: 1 / Phi^-1(3/4)."""

_LEAST = 0.002
_ENOUGH = 5


def _scatter(readings: Iterable[Reading]) -> list[float]:
    """Each reading's sigma as far as it moves from frame to frame.

    A reading's own sigma may hold what is the same in all frames (a card's reflectance, a weak
    meter's guess) and would hide a drift that is plain to see. Second differences know nothing of
    level or slope: in white noise their sigma is sqrt(6) times that of the readings.
    """
    found = list(readings)
    sigmas = [reading.sigma for reading in found]
    if len(found) < _ENOUGH:
        return sigmas
    bends = np.diff([reading.stops for reading in found], 2)
    spread = float(np.median(np.abs(bends - np.median(bends)))) * _MAD_TO_SIGMA / math.sqrt(6.0)
    return [min(sigma, max(spread, _LEAST)) for sigma in sigmas]

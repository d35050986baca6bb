"""From readings over time to keys for the pull: the drift followed, the noise left out.

One reading a frame, some wrong, some missing, becomes the fewest keys that describe them: level
where the exposure holds, straight where it drifts, a step on two neighbouring frames where it
jumps. What is left is flicker, which keys do not take out; it is reported.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from gradeprep.errors import RequestError
from gradeprep.model.exposure import Keys
from gradeprep.model.stops import valid_stops
from gradeprep.pipeline.changes import ReadingsPiece, noise, outliers, pieces, price, pulse

__all__ = ["ExposureCurve", "Segment", "curve"]

Floats = npt.NDArray[np.float64]

_FLOOR = 0.01  # stops; nobody sees less, so no key is spent on it
_FAR = 4.0  # sigmas from the curve at which a reading is rejected
_ROUNDS = 4
_DIGITS = 4  # of a key: 0.0001 stop is 0.007 %
_NEAR = (0, -1, 1, -2, 2, -4, 4, -8, 8, -16, 16)  # frames from a joint to try a knee at
_STEP_PRICE = 6.0  # a step has to be worth six numbers more than a knee
_MANY = 0.1  # share of rejected readings that is worth a warning
_FLICKER = 0.05  # stops of flicker that are


@dataclass(frozen=True, slots=True)
class Segment:
    """A run of frames of one kind; a step is from ``first`` to ``last``, its neighbour."""

    kind: Literal["level", "ramp", "step"]
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class ExposureCurve:
    """An exposure over time.

    Attributes:
        keys: Frame to stops, rising frames; linear in stops between, level outside.
        segments: From the first reading to the last.
        flicker: Root mean square of what is left of the accepted readings, in stops.
        rejected: Frames whose readings were not believed.
        warnings: What a reader of the curve must know.
    """

    keys: Mapping[int, float]
    segments: tuple[Segment, ...]
    flicker: float
    rejected: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()

    def stops(self, frame: int) -> float:
        """Stops at a frame, exactly as a recipe's keys give them."""
        return Keys(at=self.keys).stops(frame)


def curve(frames: Sequence[int], stops: Sequence[float], sigmas: Sequence[float]) -> ExposureCurve:
    """The curve through one reading a frame.

    A reading's sigma and the flicker found in the series (at least 0.01 stop) add in quadrature.
    Readings over four of these from the curve are rejected. A piece of the curve has to be worth
    more than noise could feign (`changes.price`); where two pieces can meet in a knee, they do.
    A step whose neighbours were not read, or not believed, is put in the middle of the gap.

    Args:
        frames: Frame numbers in any order; frames without a reading are left out.
        stops: The reading of each.
        sigmas: One standard deviation of each, in stops.

    Raises:
        RequestError: Fewer than two frames, or a reading that is no number.
    """
    x, y, sigma = _checked(frames, stops, sigmas)
    flicker = math.sqrt(max(noise(y) ** 2 - float(np.median(sigma**2)), 0.0))
    sigma = np.hypot(sigma, max(flicker, _FLOOR))
    near, flash = ~outliers(x, y, sigma), np.zeros(x.size, bool)
    for _ in range(_ROUNDS):
        good = near & ~flash
        while (wrong := pulse(x[good], y[good], sigma[good])) is not None:
            flash[np.flatnonzero(good)[wrong]] = True
            good &= ~flash
        fit = _fitted(x[good], y[good], sigma[good], (x[0], x[-1]))
        near = fit.off(x, y) <= _FAR * sigma
        if np.array_equal(near & ~flash, good) or 2 * np.count_nonzero(near) < x.size:
            break
    return _curve_of(fit, x, y, good)


def _checked(
    frames: Sequence[int], stops: Sequence[float], sigmas: Sequence[float]
) -> tuple[Floats, Floats, Floats]:
    """The readings as arrays, by rising frame."""
    if not len(frames) == len(stops) == len(sigmas):
        raise RequestError("frames, stops and sigmas of a curve are not equally many")
    if len(set(frames)) != len(frames):
        raise RequestError("a frame has two readings", remedy="give one reading a frame")
    if len(frames) < 2:
        raise RequestError(
            f"a curve needs readings of two frames or more, not {len(frames)}",
            remedy="give the pull a plain number of stops",
        )
    for frame, value, sigma in zip(frames, stops, sigmas, strict=True):
        if not (math.isfinite(sigma) and sigma >= 0.0):
            raise RequestError(f"{sigma} is no sigma of a reading", frame=frame)
        try:
            valid_stops(value)
        except ValueError as error:
            raise RequestError(str(error), frame=frame) from error
    order = np.argsort(frames)
    x, y, spread = (np.asarray(it, np.float64)[order] for it in (frames, stops, sigmas))
    return x, y, spread


@dataclass(frozen=True, slots=True)
class _Joint:
    """Where two pieces meet: a step from ``at`` to the next frame, or a knee at ``at``."""

    at: float
    step: bool


@dataclass(frozen=True, slots=True)
class _CurveFit:
    """Keys, least squares.

    Attributes:
        places: Frame of each key, rising.
        values: Stops of each key.
        cost: Squared residuals in sigmas.
        gaps: For each step whose place is not known to the frame, the readings beside it.
    """

    places: Floats
    values: Floats
    cost: float
    gaps: tuple[tuple[int, int], ...] = ()

    def off(self, x: Floats, y: Floats) -> Floats:
        """How far readings are from the curve; in a gap around a step, from its nearer side."""
        found = np.abs(y - self._at(x))
        for before, after in self.gaps:
            inside = (x > before) & (x < after)
            sides = np.abs(y[inside] - self._at(np.array([[before], [after]], np.float64)))
            found[inside] = sides.min(axis=0)
        return found

    def _at(self, x: Floats) -> Floats:
        return np.interp(x, self.places, self.values)


def _fitted(x: Floats, y: Floats, sigma: Floats, ends: tuple[float, float]) -> _CurveFit:
    """The pieces with each joint a step at first, then a knee where the readings allow it."""
    found, _ = pieces(x, y, sigma)
    joints = [_Joint((x[a.last] + x[b.first]) // 2, step=True) for a, b in pairwise(found)]
    fit = _solved(found, joints, ends, x, y, sigma)
    for place, (a, b) in enumerate(pairwise(found)):
        if not (a.sloped or b.sloped):
            continue
        low = max(x[a.first], joints[place - 1].at if place else -math.inf)
        middle = joints[place].at
        for at in (middle + by for by in _NEAR if low < middle + by < x[b.last]):
            tried = [*joints[:place], _Joint(at, step=False), *joints[place + 1 :]]
            smooth = _solved(found, tried, ends, x, y, sigma)
            owed = price(x.size) * _STEP_PRICE if joints[place].step else 0.0
            if smooth.cost - fit.cost < owed:
                joints, fit = tried, smooth
    steps = [pair for pair, joint in zip(pairwise(found), joints, strict=True) if joint.step]
    gaps = [(int(x[a.last]), int(x[b.first])) for a, b in steps]
    return replace(fit, gaps=tuple(gap for gap in gaps if gap[1] - gap[0] > 1))


def _solved(
    found: list[ReadingsPiece],
    joints: list[_Joint],
    ends: tuple[float, float],
    x: Floats,
    y: Floats,
    sigma: Floats,
) -> _CurveFit:
    """Values of the keys by weighted least squares; both ends of a level are one number."""
    places: list[float] = []
    owners: list[int] = []
    free = 0
    for index, piece in enumerate(found):
        before = joints[index - 1] if index else None
        if before is None or before.step:
            places.append(ends[0] if before is None else before.at + 1)
            owners.append(free)
            free += 1
        start = owners[-1]
        end = joints[index].at if index < len(joints) else ends[1]
        if piece.sloped:
            free += 1
        if end > places[-1]:
            places.append(end)
            owners.append(free - 1 if piece.sloped else start)
    hats = np.array([np.interp(x, places, row) for row in np.eye(len(places))])
    design = np.zeros((free, x.size))
    np.add.at(design, owners, hats)
    solved = np.linalg.lstsq((design / sigma).T, y / sigma, rcond=None)
    numbers = np.asarray(solved[0], np.float64)
    residuals = (y - numbers @ design) / sigma
    return _CurveFit(np.array(places), numbers[owners], float(residuals @ residuals))


def _curve_of(fit: _CurveFit, x: Floats, y: Floats, good: npt.NDArray[np.bool_]) -> ExposureCurve:
    keys = _few({int(at): round(float(it), _DIGITS) + 0.0 for at, it in _pairs(fit)})
    rejected = tuple(int(frame) for frame in x[~good])
    left = (y - np.array([Keys(at=keys).stops(int(frame)) for frame in x]))[good]
    flicker = float(np.sqrt(np.mean(left**2)))
    return ExposureCurve(
        keys=keys,
        segments=tuple(_segments(keys, int(x[0]), int(x[-1]))),
        flicker=flicker,
        rejected=rejected,
        warnings=tuple(_warnings(fit, rejected, x.size, flicker)),
    )


def _pairs(fit: _CurveFit) -> Iterator[tuple[float, float]]:
    return zip(fit.places.tolist(), fit.values.tolist(), strict=True)


def _few(keys: dict[int, float]) -> dict[int, float]:
    """Without keys at the ends that say what the next one says: outside, keys are level."""
    left = list(keys.items())
    while len(left) > 1 and left[-1][1] == left[-2][1]:
        del left[-1]
    while len(left) > 1 and left[0][1] == left[1][1]:
        del left[0]
    return dict(left)


def _segments(keys: Mapping[int, float], first: int, last: int) -> Iterator[Segment]:
    ends = [(first, keys[min(keys)]), *keys.items(), (last, keys[max(keys)])]
    for (a, start), (b, end) in pairwise(ends):
        if b == a:
            continue
        if start == end:
            yield Segment("level", a, b)
        else:
            yield Segment("step" if b - a == 1 else "ramp", a, b)


def _warnings(
    fit: _CurveFit, rejected: tuple[int, ...], count: int, flicker: float
) -> Iterator[str]:
    for before, after in fit.gaps:
        yield f"a step lies between frames {before} and {after}; no reading says where"
    if len(rejected) > _MANY * count:
        yield f"{len(rejected)} of {count} readings were rejected; look at how they were read"
    if flicker > _FLICKER:
        yield f"flicker of {flicker:.3f} stop is left; keys do not take it out"

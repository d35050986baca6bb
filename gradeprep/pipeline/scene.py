"""All shots of a scene against one hero, solved together from readings of pairs.

Each reading compares two shots. Weighted least squares in stops, the hero held at zero, makes one
answer of all of them; readings that contradict the others are found and left out. A reading is
only called wrong where the rest says so without it: in a triangle of three readings that do not
add up, any one may be the wrong one, and that is reported instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.errors import RequestError
from gradeprep.model.stops import valid_stops

__all__ = ["Outlier", "Pair", "Scene", "Solved", "solve_scene"]

Floats = npt.NDArray[np.float64]

_HUBER = 1.345  # sigmas; 95 % as sure as least squares where all readings are good (Huber 1964)
_FAR = 4.0  # sigmas from the others at which a reading is left out
_ALIKE = 0.999  # correlation at which two readings cannot be distinguished
_ENOUGH = 5  # readings more than answers
_ROUNDS = 50
_MAD_TO_SIGMA = 1.482602219  # normal distribution: 1 / Phi^-1(3/4)


@dataclass(frozen=True, slots=True)
class Pair:
    """A reading of two shots.

    Attributes:
        shot: Name of a shot.
        reference: Name of the shot it was read against.
        stops: The pull that brings ``shot`` to where ``reference`` is, neither of them pulled.
        sigma: One standard deviation, in stops; above zero.
    """

    shot: str
    reference: str
    stops: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Solved:
    """A shot's answer: stops that bring it to the hero, and their standard deviation."""

    stops: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Outlier:
    """A reading that the others contradict.

    Attributes:
        pair: The reading.
        residual: Reading less answer, in stops.
        sigmas: The same in standard deviations of that difference.
    """

    pair: Pair
    residual: float
    sigmas: float


@dataclass(frozen=True, slots=True)
class Scene:
    """The answer for a scene.

    Attributes:
        hero: Name of the shot that stays as it is.
        shots: Name to answer, the hero among them.
        outliers: Readings left out, the worst first.
        scale: Factor on every sigma: above 1 where the readings disagree more than theirs allow.
        warnings: What a reader of the answer must know.
    """

    hero: str
    shots: Mapping[str, Solved]
    outliers: tuple[Outlier, ...]
    scale: float
    warnings: tuple[str, ...]


def solve_scene(pairs: Iterable[Pair], *, hero: str) -> Scene:
    """Stops for every shot of a scene.

    Least squares re-weighted after Huber finds the readings that stand apart; those over four
    sigmas from the others are left out, and the rest is solved plainly. Sigmas are propagated:
    the covariance of the answer is (A^T W A)^-1. Where the squared residuals of the rest are more
    than chance allows (three sigmas of chi-square), all sigmas grow by the root of their mean.

    Args:
        pairs: Readings, in any order; the same two shots may have several.
        hero: The shot that the others are brought to.

    Raises:
        RequestError: A shot that no reading connects to the hero, or a reading that cannot be.
    """
    readings = tuple(pairs)
    for pair in readings:
        _check(pair)
    names = sorted({name for it in readings for name in (it.shot, it.reference)} - {hero})
    apart = _unconnected(readings, hero)
    if apart or not names:
        raise RequestError(
            f"no reading connects {', '.join(apart)} to the hero {hero}"
            if apart
            else f"no reading links the hero {hero} and another shot",
            remedy="read a pair that joins them",
        )
    network = _Network(readings, names)
    used, warnings = _believed(network)
    stops, covariance = network.solve(network.weights * used)
    scale = _scale(network, stops, used)
    if scale > 1.0:
        warnings.append(f"readings disagree: their sigmas, and all answers', grow by {scale:.1f}")
    spread = scale * np.sqrt(np.diag(covariance))
    solved = {
        name: Solved(float(value), float(sigma))
        for name, value, sigma in zip(names, stops, spread, strict=True)
    }
    outliers = _outliers(network, stops, covariance, used)
    return Scene(hero, {hero: Solved(0.0, 0.0), **solved}, outliers, scale, tuple(warnings))


def _check(pair: Pair) -> None:
    key = f"{pair.shot} against {pair.reference}"
    if pair.shot == pair.reference:
        raise RequestError("a shot cannot be read against itself", key=key)
    if not (math.isfinite(pair.sigma) and pair.sigma > 0.0):
        raise RequestError(f"a sigma must be above zero, not {pair.sigma}", key=key)
    try:
        valid_stops(pair.stops)
    except ValueError as error:
        raise RequestError(str(error), key=key) from error


def _unconnected(readings: Sequence[Pair], hero: str) -> list[str]:
    """Shots that no chain of readings leads to from the hero."""
    reached, waiting = {hero}, [hero]
    near: dict[str, set[str]] = {}
    for pair in readings:
        near.setdefault(pair.shot, set()).add(pair.reference)
        near.setdefault(pair.reference, set()).add(pair.shot)
    while waiting:
        new = near.get(waiting.pop(), set()) - reached
        reached |= new
        waiting.extend(new)
    return sorted(near.keys() - reached)


class _Network:
    """The readings as equations: answer of the shot less that of its reference."""

    def __init__(self, readings: Sequence[Pair], names: Sequence[str]) -> None:
        place = {name: index for index, name in enumerate(names)}
        self.readings = tuple(readings)
        self.design = np.zeros((len(readings), len(names)))
        for row, pair in zip(self.design, readings, strict=True):
            for name, sign in ((pair.shot, 1.0), (pair.reference, -1.0)):
                if name in place:  # the hero's answer is zero
                    row[place[name]] = sign
        self.stops = np.array([pair.stops for pair in readings])
        self.sigma = np.array([pair.sigma for pair in readings])
        self.weights = self.sigma**-2.0

    def solve(self, weights: Floats) -> tuple[Floats, Floats]:
        """Answers, and their covariance."""
        normal = self.design.T @ (weights[:, None] * self.design)
        covariance: Floats = np.asarray(np.linalg.inv(normal), np.float64)
        answers: Floats = covariance @ (self.design.T @ (weights * self.stops))
        return answers, covariance

    def residuals(self, answers: Floats) -> Floats:
        return np.asarray(self.stops - self.design @ answers)


def _robust(network: _Network) -> Floats:
    """Answers that a few wrong readings cannot pull far: re-weighted after Huber."""
    answers, _ = network.solve(network.weights)
    for _ in range(_ROUNDS):
        far = np.abs(network.residuals(answers)) / network.sigma
        answers, _ = network.solve(
            network.weights * np.minimum(1.0, _HUBER / np.maximum(far, 1e-9))
        )
    return answers


def _believed(network: _Network) -> tuple[npt.NDArray[np.bool_], list[str]]:
    """Which readings are used, and a warning for each that is doubted but cannot be left out."""
    far = np.abs(network.residuals(_robust(network))) / network.sigma
    if far.size - network.design.shape[1] >= _ENOUGH:  # then they show how far off all of them are
        far /= max(1.0, _MAD_TO_SIGMA * float(np.median(far)))
    used = np.ones(far.size, bool)
    doubted: set[int] = set()
    warnings = []
    for index in np.argsort(-far).tolist():
        if far[index] <= _FAR:
            break
        twins = _indistinct(network, used, index)
        if twins is None or index in doubted:
            continue
        if twins:
            doubted |= {index, *twins}
            text = " or ".join(_name(network.readings[it]) for it in sorted({index, *twins}))
            warnings.append(f"one of these readings is wrong, and nothing says which: {text}")
        else:
            used[index] = False
    return used, warnings


def _indistinct(network: _Network, used: npt.NDArray[np.bool_], index: int) -> list[int] | None:
    """Readings whose errors would show just as those of one; None where no error would show.

    The covariance of residuals is S - A (A^T W A)^-1 A^T; a reading that alone joins two groups of
    shots has none, and two whose residuals are fully correlated cannot be distinguished.
    """
    _, covariance = network.solve(network.weights * used)
    shown = np.diag(network.sigma**2) - network.design @ covariance @ network.design.T
    variance = np.diag(shown)
    if variance[index] <= 1e-9 * network.sigma[index] ** 2:
        return None
    others = used & (variance > 1e-9 * network.sigma**2)
    others[index] = False
    alike = np.abs(shown[index]) > _ALIKE * np.sqrt(np.maximum(variance[index] * variance, 0.0))
    return [int(it) for it in np.flatnonzero(others & alike)]


def _scale(network: _Network, answers: Floats, used: npt.NDArray[np.bool_]) -> float:
    """How much larger the residuals are than the sigmas say; 1 where chance explains them."""
    free = int(np.count_nonzero(used)) - answers.size
    squares = float(np.sum((network.residuals(answers)[used] / network.sigma[used]) ** 2))
    if free == 0 or squares <= free + 3.0 * math.sqrt(2.0 * free):
        return 1.0
    return math.sqrt(squares / free)


def _outliers(
    network: _Network, answers: Floats, covariance: Floats, used: npt.NDArray[np.bool_]
) -> tuple[Outlier, ...]:
    """The readings left out; the answers do not depend on them, so the variances add."""
    found = []
    residuals = network.residuals(answers)
    for index in np.flatnonzero(~used):
        row = network.design[index]
        deviation = math.hypot(network.sigma[index], math.sqrt(float(row @ covariance @ row)))
        residual = float(residuals[index])
        found.append(Outlier(network.readings[index], residual, residual / deviation))
    return tuple(sorted(found, key=lambda it: -abs(it.sigmas)))


def _name(pair: Pair) -> str:
    return f"{pair.shot} against {pair.reference}"

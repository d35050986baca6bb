"""Where a noisy series changes: its noise, its outliers, and its pieces.

A piece is a run of readings that one level or one straight line describes. The pieces are the ones
that cost least together: their squared residuals in sigmas, and a fixed price for each place and
each number that describes them, so that noise is never worth a piece of its own. They are found
exactly, by dynamic programming, in time that goes with the square of the readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["ReadingsPiece", "noise", "outliers", "pieces", "price", "pulse"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_MAD_TO_SIGMA = 1.482602219  # normal distribution: 1 / Phi^-1(3/4)
_WINDOW = 9  # readings; four wrong ones of nine do not move a median away
_SHORT = 3  # readings of the longest piece that may be wrong readings which agree
_FAR = 4.0  # sigmas; one good reading in 16,000 is that far off


@dataclass(frozen=True, slots=True)
class ReadingsPiece:
    """Readings ``first`` to ``last`` (places in the series), on a line or on a level."""

    first: int
    last: int
    sloped: bool


def price(count: int) -> float:
    """Price of one number of the description, in squared sigmas.

    Twice the logarithm of the count: the Bayesian information criterion asks for one, and that
    for numbers whose place is not searched for.
    """
    return 2.0 * math.log(max(count, 16))


def noise(y: Floats) -> float:
    """One sigma of what changes from reading to reading; drifts and a few steps do not count."""
    if y.size < 4:
        return 0.0
    differences = np.diff(y)
    differences = differences - np.median(differences)
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(differences)))
    near = differences[np.abs(differences) <= _FAR * spread]
    return float(np.sqrt(np.mean(near**2) / 2.0))


def outliers(x: Floats, y: Floats, sigma: Floats) -> Flags:
    """Readings that stand apart from their neighbours, both from their level and their line.

    A level is kept by a step, a line by a drift; a single wrong reading keeps to neither.
    """
    count = y.size
    if count < 5:
        return np.zeros(count, bool)
    width = min(_WINDOW, count - 1 + count % 2)  # odd, so that a step has a median on either side
    starts = np.clip(np.arange(count) - width // 2, 0, count - width)
    near = starts[:, None] + np.arange(width)
    level = np.median(y[near], axis=1)
    one, two = np.triu_indices(width, 1)
    rise = (y[near][:, two] - y[near][:, one]) / (x[near][:, two] - x[near][:, one])
    slope = np.median(rise, axis=1)  # Theil and Sen
    line = np.median(y[near] + slope[:, None] * (x[:, None] - x[near]), axis=1)
    apart = np.min(np.abs(y - [level, line]), axis=0)
    far = np.asarray(apart > _FAR * sigma)
    return far if 2 * np.count_nonzero(far) < count else np.zeros(count, bool)


def pieces(x: Floats, y: Floats, sigma: Floats) -> tuple[list[ReadingsPiece], float]:
    """The pieces of a series, in order, and what they cost.

    Args:
        x: Places in time, rising.
        y: Readings there.
        sigma: One sigma of each.
    """
    count = x.size
    unit = price(count)
    weights = sigma**-2.0
    best = np.zeros(count + 1)
    chosen: list[ReadingsPiece] = []
    for last in range(count):
        level, line = _residuals(x[: last + 1], y[: last + 1], weights[: last + 1])
        flat = best[: last + 1] + level + 2.0 * unit  # its level, and where it begins
        sloped = best[: last + 1] + line + 3.0 * unit
        i, j = int(np.argmin(flat)), int(np.argmin(sloped))
        if sloped[j] < flat[i]:
            best[last + 1] = sloped[j]
            chosen.append(ReadingsPiece(j, last, sloped=True))
        else:
            best[last + 1] = flat[i]
            chosen.append(ReadingsPiece(i, last, sloped=False))
    found = []
    end = count
    while end:
        found.append(chosen[end - 1])
        end = found[-1].first
    return found[::-1], float(best[count])


def _residuals(x: Floats, y: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Squared residuals, in sigmas, of a level and of a line through each tail of a series.

    Both are given for the tails that begin at each reading and end at the last one. Sums run
    backwards from the last reading, about it, so that short tails lose nothing to rounding.
    """
    dx, dy = x - x[-1], y - y[-1]

    def tails(values: Floats) -> Floats:
        return np.cumsum(values[::-1])[::-1]

    w, wx, wy = tails(weights), tails(weights * dx), tails(weights * dy)
    across = tails(weights * dx * dx) - wx * wx / w
    both = tails(weights * dx * dy) - wx * wy / w
    level = np.maximum(tails(weights * dy * dy) - wy * wy / w, 0.0)
    across[-1] = 1.0  # one reading has no slope
    return level, np.maximum(level - both * both / across, 0.0)


def pulse(x: Floats, y: Floats, sigma: Floats) -> npt.NDArray[np.intp] | None:
    """Places of readings that are a piece by themselves, and that the light cannot have made.

    A piece of up to three readings inside a series is a transition when it leads from one neighbour
    to the other. Where it does not, it is a few wrong readings that happen to agree. Of several,
    the one without which the rest costs least; None where there is none.
    """
    found, _ = pieces(x, y, sigma)
    wrong = []
    for before, it, after in zip(found, found[1:], found[2:], strict=False):
        own = np.arange(it.first, it.last + 1)
        way = np.diff([_near(y, before, end=True), *y[own], _near(y, after, end=False)])
        slack = _FAR * float(np.median(sigma[own]))
        if own.size <= _SHORT and way.min() < -slack and way.max() > slack:
            wrong.append(own)
    return min(wrong, key=lambda own: _without(x, y, sigma, own), default=None)


def _near(y: Floats, piece: ReadingsPiece, *, end: bool) -> float:
    """Median of the readings of a piece that lie next to a neighbour."""
    own = y[piece.first : piece.last + 1]
    return float(np.median(own[-_SHORT:] if end else own[:_SHORT]))


def _without(x: Floats, y: Floats, sigma: Floats, places: npt.NDArray[np.intp]) -> float:
    """Cost of the rest, and of every reading left out as if it were just too far off."""
    kept = np.delete(np.arange(x.size), places)
    return pieces(x[kept], y[kept], sigma[kept])[1] + _FAR**2 * places.size

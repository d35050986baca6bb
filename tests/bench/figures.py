"""From samples to figures: medians with their spread, slopes, ratios round by round."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from .measure import Measured, Sample

__all__ = ["Spread", "best", "further", "ratios", "slope", "whole"]


@dataclass(frozen=True, slots=True)
class Spread:
    """A median, and the smallest and largest of what it is the median of."""

    median: float
    low: float
    high: float

    @classmethod
    def of(cls, values: Iterable[float]) -> Spread:
        """Of at least one value."""
        found = list(values)
        return cls(median(found), min(found), max(found))

    def times(self, factor: float) -> Spread:
        """In another unit."""
        return Spread(self.median * factor, self.low * factor, self.high * factor)


def whole(one: Measured) -> list[Sample]:
    """The samples of the largest number of frames."""
    return one.samples[max(one.samples)]


def further(one: Measured, what: str = "wall") -> list[float]:
    """Seconds that one frame more costs, round by round: what starting takes is left out."""
    few, many = min(one.samples), max(one.samples)
    pairs = zip(one.samples[few], one.samples[many], strict=True)
    return [(getattr(b, what) - getattr(a, what)) / (many - few) for a, b in pairs]


def ratios(ours: Sequence[float], others: Sequence[float]) -> Spread | None:
    """How many times as fast ours is, from seconds; each pair ran in one round.

    None where noise left a round without a cost.
    """
    if min(*ours, *others) <= 0:
        return None
    return Spread.of(other / own for own, other in zip(ours, others, strict=True))


def best(measured: Sequence[Measured]) -> list[Measured]:
    """Of every program its fastest layout, in the order the programs come."""
    chosen: dict[str, Measured] = {}
    for one in measured:
        there = chosen.get(one.way.program)
        if there is None or _median(one) < _median(there):
            chosen[one.way.program] = one
    return list(chosen.values())


def _median(one: Measured) -> float:
    return median(sample.wall for sample in whole(one))


def slope(x: Sequence[float], y: Sequence[float]) -> float:
    """Rise of y with x, from the first to the last."""
    return (y[-1] - y[0]) / (x[-1] - x[0])

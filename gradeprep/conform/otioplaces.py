"""Where an OpenTimelineIO object stands: its track, what of it is visible, its place in the record.

A nested composition may trim its children. Times inside it are mapped to the outermost composition
by the library; the trims of every composition on the way are applied here.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import opentimelineio as otio

__all__ = [
    "BETWEEN",
    "enabled",
    "frames",
    "neighbours",
    "nested_beside",
    "record",
    "shown",
    "track",
]

BETWEEN = Fraction(1, 1000)
"""Part of a frame that is rounding of a float, not a place between frames."""


def _above(item: Any) -> Iterator[Any]:
    while (item := item.parent()) is not None:
        yield item


def track(item: Any) -> Any:
    """The nearest track around an object; None in a bare collection."""
    return next((one for one in _above(item) if isinstance(one, otio.schema.Track)), None)


def enabled(item: Any) -> bool:
    """Whether an object and everything around it is enabled."""
    return all(getattr(one, "enabled", True) for one in (item, *_above(item)))


def frames(span: Any) -> tuple[Fraction, Fraction]:
    """Start and end of a range, in frames of its own rate."""
    rate = span.start_time.rate
    start = Fraction(span.start_time.value)
    return start, start + Fraction(span.duration.rescaled_to(rate).value)


def shown(item: Any) -> tuple[Fraction, Fraction] | None:
    """Start and end of an object's own range that its compositions leave visible; None if none."""
    own = item.trimmed_range()
    start, end = whole = frames(own)
    if start == end:
        return whole
    for outer in filter(_trims, _above(item)):
        low, high = _scaled(item.transformed_time_range(own, outer), own.start_time.rate)
        ends = _scaled(outer.source_range, own.start_time.rate)
        start = max(start, whole[0] + max(Fraction(0), ends[0] - low))
        end = min(end, whole[1] - max(Fraction(0), high - ends[1]))
    return (start, end) if end > start else None


def _trims(outer: Any) -> bool:
    """Whether a composition's range trims it; some writers place a track in time by a range that
    holds none of it.
    """
    if outer.source_range is None:
        return False
    try:
        whole = outer.available_range()
    except otio.exceptions.OTIOError:
        return True
    return bool(whole.intersects(outer.source_range))


def _scaled(span: Any, rate: float) -> tuple[Fraction, Fraction]:
    start = Fraction(span.start_time.rescaled_to(rate).value)
    return start, start + Fraction(span.duration.rescaled_to(rate).value)


def record(item: Any, begin: Any) -> tuple[Fraction, Fraction] | None:
    """Start and end in the outermost composition, in frames of the object's rate."""
    above = list(_above(item))
    try:
        visible = shown(item)
        if not above or visible is None:
            return None
        own = item.trimmed_range()
        rate = own.start_time.rate
        low, _ = _scaled(item.transformed_time_range(own, above[-1]), rate)
    except otio.exceptions.OTIOError:
        return None  # a clip without a range stands before it
    start = low + visible[0] - frames(own)[0]
    if begin is not None:
        start += round(Fraction(begin.rescaled_to(rate).value))
    return start, start + visible[1] - visible[0]


def neighbours(item: Any) -> tuple[Any, Any, bool]:
    """Transitions before and after an object, and whether the one after it ends the track."""
    parent = item.parent()
    if not isinstance(parent, otio.schema.Track):
        return None, None, False
    before, after = parent.neighbors_of(item)
    beside = [one if isinstance(one, otio.schema.Transition) else None for one in (before, after)]
    last = beside[1] is not None and parent.neighbors_of(beside[1])[1] is None
    return beside[0], beside[1], last


def nested_beside(item: Any) -> bool:
    """Whether a composition around an object, below its outermost track, has a transition."""
    return any(beside is not None for one in _above(item) for beside in neighbours(one)[:2])

"""Frame numbers of a plate: ``1001-1100x2,1201`` parsed, printed, cut into chunks."""

from __future__ import annotations

import operator
import re
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from typing import SupportsIndex

__all__ = ["LIMIT", "FrameRange", "Numbers"]

LIMIT = 1_000_000
"""Most frames a range may hold: over eleven hours at 24 frames a second."""

_DIGITS = 15  # a date and time to the second fits; lengths of such ranges stay machine integers
_TOO_LONG = f"a frame number has at most {_DIGITS} digits"
_NUMBER = rf"(-?[0-9]{{1,{_DIGITS}}})"
_ITEM = re.compile(rf"{_NUMBER}(?:\s*-\s*{_NUMBER}(?:\s*[x:]\s*{_NUMBER})?)?")


@dataclass(frozen=True, slots=True)
class FrameRange:
    """Frame numbers, each once, in ascending order; negative ones are fine, none is too.

    Attributes:
        numbers: The frames themselves. `parse` and `of` put them in order. Those at one step,
            as nearly all are, are kept as a `range`, however many.

    Raises:
        ValueError: The numbers do not ascend, are more than `LIMIT`, or one has over 15 digits.

    >>> str(FrameRange.parse("1-20x2, 30") - FrameRange.parse("1-4"))
    '5-19x2,30'
    """

    numbers: Sequence[int] = ()

    def __post_init__(self) -> None:
        if len(self.numbers) > LIMIT:
            raise ValueError(_too_many(len(self.numbers)))
        steps = {late - early for early, late in pairwise(self.numbers)}
        if min(steps, default=1) < 1:
            raise ValueError("frame numbers must ascend; build them with FrameRange.of")
        object.__setattr__(self, "numbers", _kept(self.numbers, steps))
        if any(abs(number) >= 10**_DIGITS for number in (*self.numbers[:1], *self.numbers[-1:])):
            raise ValueError(_TOO_LONG)

    @classmethod
    def of(cls, frames: Iterable[SupportsIndex]) -> FrameRange:
        """Range of whole numbers in any order; repeats count once.

        Raises:
            ValueError: Too many of them, or one is too long.
            TypeError: One is no whole number.
        """
        found = Numbers()
        for number in map(operator.index, frames):
            if abs(number) >= 10**_DIGITS:
                raise ValueError(_TOO_LONG)
            found.add(number)
        return cls(found.ascending())

    @classmethod
    def parse(cls, text: str) -> FrameRange:
        """Range that a text names: ``5``, ``1-10``, ``1-20x2`` or ``1-20:2``, by commas.

        The step forms are those of farm schedulers (``:``, Open Job Description) and of common
        practice (``x``). Spaces do not matter.

        Raises:
            ValueError: The text is empty or garbled, a range is reversed, a step is below one, or
                it lists more than `LIMIT` frames (repeats counted).
        """
        if not text.strip():
            raise ValueError("the frame range is empty; write it as 1001-1100")
        items = [_item(item.strip()) for item in text.split(",")]
        listed = sum(map(len, items))
        if listed > LIMIT:
            raise ValueError(_too_many(listed))
        return cls.of(chain.from_iterable(items))

    def __str__(self) -> str:
        """The shortest usual form, always the same; empty for no frames."""
        return ",".join(map(_printed, _runs(self.numbers)))

    def __iter__(self) -> Iterator[int]:
        return iter(self.numbers)

    def __len__(self) -> int:
        return len(self.numbers)

    def __contains__(self, frame: object) -> bool:
        if not isinstance(frame, SupportsIndex):
            return False
        number = operator.index(frame)
        place = bisect_left(self.numbers, number)
        return place < len(self.numbers) and self.numbers[place] == number

    def __and__(self, other: FrameRange) -> FrameRange:
        return FrameRange.of(set(self.numbers).intersection(other.numbers))

    def __or__(self, other: FrameRange) -> FrameRange:
        return FrameRange.of(set(self.numbers).union(other.numbers))

    def __sub__(self, other: FrameRange) -> FrameRange:
        return FrameRange.of(set(self.numbers).difference(other.numbers))

    @property
    def first(self) -> int:
        """Lowest frame number.

        Raises:
            ValueError: There are no frames.
        """
        return self._end(0)

    @property
    def last(self) -> int:
        """Highest frame number.

        Raises:
            ValueError: There are no frames.
        """
        return self._end(-1)

    def _end(self, place: int) -> int:
        if not self.numbers:
            raise ValueError("a range of no frames has no first and no last")
        return self.numbers[place]

    def gaps(self) -> FrameRange:
        """Numbers missing between the first and the last; none when there are no frames.

        Raises:
            ValueError: More than `LIMIT` are missing; nothing is listed then.
        """
        if not self.numbers:
            return self
        missing = self.last - self.first + 1 - len(self)
        if missing > LIMIT:
            raise ValueError(
                f"{missing} frames are missing between {self.first} and {self.last}; "
                "one of the two is likely a stray"
            )
        between = (range(early + 1, late) for early, late in pairwise(self.numbers))
        return FrameRange(tuple(chain.from_iterable(between)))

    def chunks(self, size: int) -> Iterator[FrameRange]:
        """The frames in order, ``size`` at a time; the last chunk may be shorter.

        Raises:
            ValueError: The size is below one.
        """
        if size < 1:
            raise ValueError(f"a chunk of {size} frames is no chunk; it must be 1 or more")
        starts = range(0, len(self), size)
        return (FrameRange(self.numbers[start : start + size]) for start in starts)


class Numbers:
    """Whole numbers in any order, each once; however many, neighbours take no more room than two.

    A folder lists its files in an order of its own: ten thousand numbers that are one plate need
    not be held one by one until the last of them is known.
    """

    def __init__(self) -> None:
        self._starts = array("q")
        self._ends = array("q")  # one past the last number of each run

    def add(self, number: int) -> None:
        """One more number of at most 15 digits."""
        place = bisect_right(self._starts, number)  # of the run behind it
        joins = place > 0 and self._ends[place - 1] >= number
        if joins and self._ends[place - 1] > number:
            return
        joined = place < len(self._starts) and self._starts[place] == number + 1
        if joins and joined:
            del self._starts[place], self._ends[place - 1]
        elif joins:
            self._ends[place - 1] = number + 1
        elif joined:
            self._starts[place] = number
        else:
            self._starts.insert(place, number)
            self._ends.insert(place, number + 1)

    def ascending(self) -> Sequence[int]:
        """The numbers; a `range` where they are one run."""
        runs = [range(start, end) for start, end in zip(self._starts, self._ends, strict=True)]
        return runs[0] if len(runs) == 1 else tuple(chain.from_iterable(runs))


def _kept(numbers: Sequence[int], steps: set[int]) -> Sequence[int]:
    """The numbers in the one form that equal ranges share."""
    if not numbers:
        return range(0)
    if len(steps) > 1:
        return tuple(numbers)
    return range(numbers[0], numbers[-1] + 1, *steps)


def _item(text: str) -> range:
    """One entry between commas."""
    match = _ITEM.fullmatch(text)
    if match is None:
        shown = repr(text if len(text) <= 40 else f"{text[:40]}...")
        raise ValueError(f"{shown} is no frame or range of frames; write 7, 1-10 or 1-20x2")
    first = int(match[1])
    last = first if match[2] is None else int(match[2])
    step = 1 if match[3] is None else int(match[3])
    if last < first:
        raise ValueError(f"{text!r} runs backwards; write {last}-{first}")
    if step < 1:
        raise ValueError(f"{text!r} has a step of {step}; it must be 1 or more")
    return range(first, last + 1, step)


def _too_many(count: int) -> str:
    return f"{count} frames are more than the {LIMIT:,} that a range may hold"


def _runs(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    """The numbers in pieces that print as one item each, every piece as long as it can be."""
    start = 0
    while start < len(numbers):
        run = _run(numbers, start)
        yield run
        start += len(run)


def _run(numbers: Sequence[int], start: int) -> Sequence[int]:
    """Longest piece at ``start``: neighbours, three or more at one step, else the number alone."""
    pair = numbers[start : start + 2]
    if len(pair) == 1:
        return pair
    step = pair[1] - pair[0]
    stop = start + 2
    while stop < len(numbers) and numbers[stop] - numbers[stop - 1] == step:
        stop += 1
    return numbers[start:stop] if step == 1 or stop - start > 2 else pair[:1]


def _printed(run: Sequence[int]) -> str:
    if len(run) == 1:
        return str(run[0])
    step = run[1] - run[0]
    return f"{run[0]}-{run[-1]}" + ("" if step == 1 else f"x{step}")

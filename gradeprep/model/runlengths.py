"""What the frames of a plate have in common, kept once however many they are."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, pairwise, repeat
from typing import TypeVar, overload

__all__ = ["RunLengths"]

T = TypeVar("T")
U = TypeVar("U")


class RunLengths(Sequence[T]):
    """One value a frame; neighbours that are equal share one.

    Args:
        values: The values in order.

    >>> RunLengths("aaab")[2], len(RunLengths("aaab")), RunLengths("aaab").distinct
    ('a', 4, ('a', 'b'))
    """

    __slots__ = ("_starts", "_values")

    def __init__(self, values: Iterable[T]) -> None:
        self._values: list[T] = []
        self._starts = array("q", [0])  # of each value, and where the last one ends
        for value in values:
            if not self._values or (value is not self._values[-1] and value != self._values[-1]):
                self._values.append(value)
                self._starts.append(self._starts[-1])
            self._starts[-1] += 1

    @property
    def distinct(self) -> tuple[T, ...]:
        """The values that neighbours share, in order; one may come again later on."""
        return tuple(self._values)

    def each(self, made: Callable[[T], U]) -> RunLengths[U]:
        """What is made of the value of each frame; made once where neighbours share it."""
        return RunLengths(
            chain.from_iterable(map(repeat, map(made, self._values), self._lengths()))
        )

    def __len__(self) -> int:
        return self._starts[-1]

    @overload
    def __getitem__(self, place: int) -> T: ...

    @overload
    def __getitem__(self, place: slice) -> RunLengths[T]: ...

    def __getitem__(self, place: int | slice) -> T | RunLengths[T]:
        places = range(len(self))[place]  # refuses what is not there, as a list does
        if isinstance(places, range):
            return RunLengths(map(self.__getitem__, places))
        return self._values[bisect_right(self._starts, places) - 1]

    def __iter__(self) -> Iterator[T]:
        return chain.from_iterable(map(repeat, self._values, self._lengths()))

    def _lengths(self) -> Iterator[int]:
        return (end - start for start, end in pairwise(self._starts))

"""What was made once and may be asked for again, as long as it fits: bounded in bytes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Generic, TypeVar

__all__ = ["Cache"]

T = TypeVar("T")


@dataclass
class Cache(Generic[T]):
    """Values by key, the least recently used dropped first; safe between threads.

    Two threads that ask for one key get one value: the second waits for the first. What cannot be
    made is not kept.

    Args:
        most: Bytes that all values may take; the newest stays even where it alone takes more.
        bytes_of: Bytes that a value takes.
    """

    most: int
    bytes_of: Callable[[T], int]
    _values: OrderedDict[Hashable, T] = field(init=False, default_factory=OrderedDict)
    _making: dict[Hashable, Future[T]] = field(init=False, default_factory=dict)
    _lock: threading.Lock = field(init=False, default_factory=threading.Lock)
    _bytes: int = field(init=False, default=0)

    @property
    def bytes(self) -> int:
        """Bytes that are kept."""
        return self._bytes

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """The value of a key, made if it is not there; errors of ``make`` pass through."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            waiting = self._making.get(key)
            if waiting is None:
                mine = self._making[key] = Future()
        if waiting is not None:
            return waiting.result()
        try:
            value = make()
        except BaseException as error:
            self._deliver(key, mine, error=error)
            raise
        self._keep(key, value)
        self._deliver(key, mine, value=value)
        return value

    def clear(self) -> None:
        """Drop everything."""
        with self._lock:
            self._values.clear()
            self._bytes = 0

    def _keep(self, key: Hashable, value: T) -> None:
        with self._lock:
            self._values[key] = value
            self._bytes += self.bytes_of(value)
            while self._bytes > self.most and len(self._values) > 1:
                self._bytes -= self.bytes_of(self._values.popitem(last=False)[1])

    def _deliver(
        self,
        key: Hashable,
        waiting: Future[T],
        *,
        value: T | None = None,
        error: BaseException | None = None,
    ) -> None:
        with self._lock:
            del self._making[key]
        if error is not None:
            waiting.set_exception(error)
        else:
            waiting.set_result(value)  # type: ignore[arg-type]

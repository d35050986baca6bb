"""A deadline for calls that know none."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any

__all__ = ["within"]


def within(seconds: float, function: Callable[..., Any], *arguments: Any) -> Any:
    """What a function gives, if it does so in time; the library waits for ever for one that hangs.

    Raises:
        TimeoutError: It is not there yet.
    """
    given: queue.SimpleQueue[tuple[Any, Exception | None]] = queue.SimpleQueue()

    def ask() -> None:
        try:
            given.put((function(*arguments), None))
        except Exception as error:  # raised where it is waited for
            given.put((None, error))

    threading.Thread(target=ask, daemon=True).start()
    try:
        answer, error = given.get(timeout=seconds)
    except queue.Empty:
        raise TimeoutError from None
    if error is not None:
        raise error
    return answer

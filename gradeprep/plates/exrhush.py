"""What the OpenEXR library prints while it decodes, heard instead of shown.

A part that cannot be decoded is told by a line on `sys.stdout` and by lines that C code writes
to its own ``stderr`` stream; no call turns either off. Redirecting the process's file
descriptors would swallow what other threads print, so that

- `sys.stdout` is stood in for by a stream that keeps the words of a listening thread and passes
  on everybody else's;
- C's ``stderr`` variable points to the null device meanwhile (GNU C library only). Python's own
  `sys.stderr` and the file descriptor under it stay as they are: what is lost is what other C
  code says on that stream in the same moment.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

__all__ = ["hushed"]

_lock = threading.Lock()
_heard: dict[int, list[str]] = {}
"""What each listening thread has heard, by thread."""


class _Ear:
    """Stands in for a text stream and keeps what a listening thread writes to it."""

    def __init__(self, stream: Any) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        words = _heard.get(threading.get_ident())
        if words is not None:
            words.append(text)
        elif self.stream is not None:  # a process may have no standard output
            self.stream.write(text)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


class _Ears:
    """Both streams while anybody listens."""

    def __init__(self) -> None:
        self.ear = _Ear(sys.stdout)
        self.stderr, null = _c_streams()
        self.before = None if self.stderr is None else self.stderr.value
        sys.stdout = self.ear
        if self.stderr is not None:
            self.stderr.value = null

    def take_off(self) -> None:
        if sys.stdout is self.ear:  # else somebody put another stream in its place meanwhile
            sys.stdout = self.ear.stream
        if self.stderr is not None:
            self.stderr.value = self.before


_ears: list[_Ears] = []


@contextmanager
def hushed() -> Iterator[list[str]]:
    """Keep this thread's library chatter from the user; gives the list that it gathers in."""
    words: list[str] = []
    with _lock:
        if not _heard:
            _ears.append(_Ears())
        _heard[threading.get_ident()] = words
    try:
        yield words
    finally:
        with _lock:
            del _heard[threading.get_ident()]
            if not _heard:
                _ears.pop().take_off()


@cache
def _c_streams() -> tuple[ctypes.c_void_p | None, int | None]:
    """C's ``stderr`` variable and a stream to the null device; None where it cannot be set."""
    if not _gnu():
        return None, None
    library = ctypes.CDLL(None)
    library.fopen.restype = ctypes.c_void_p
    null = library.fopen(os.fsencode(os.devnull), b"w")
    return (ctypes.c_void_p.in_dll(library, "stderr"), null) if null else (None, None)


def _gnu() -> bool:
    try:
        return (os.confstr("CS_GNU_LIBC_VERSION") or "").startswith("glibc")
    except (AttributeError, OSError, ValueError):
        return False

"""Captures what the OpenEXR library prints while it decodes.

The library reports a part that it cannot decode by a line on `sys.stdout` and by lines that C
code writes to its own ``stderr`` stream; no call turns either off. Redirecting the process's file
descriptors would swallow the output of other threads. Instead,

- a stream takes the place of `sys.stdout`; it keeps the text of capturing threads and passes on
  the text of all others;
- C's ``stderr`` variable points to the null device meanwhile (GNU C library only). Python's own
  `sys.stderr` and the file descriptor under it stay as they are: what is lost is the output of
  other C code on that stream at the same moment.
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

__all__ = ["captured"]

_lock = threading.Lock()
_texts: dict[int, list[str]] = {}
"""Captured text by thread."""


class _Stream:
    """A text stream that keeps what capturing threads write and forwards the rest."""

    def __init__(self, stream: Any) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        texts = _texts.get(threading.get_ident())
        if texts is not None:
            texts.append(text)
        elif self.stream is not None:  # a process may have no standard output
            self.stream.write(text)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


class _Redirection:
    """Both streams while any thread captures."""

    def __init__(self) -> None:
        self.stdout = _Stream(sys.stdout)
        self.stderr, null = _c_streams()
        self.before = None if self.stderr is None else self.stderr.value
        sys.stdout = self.stdout
        if self.stderr is not None:
            self.stderr.value = null

    def undo(self) -> None:
        if sys.stdout is self.stdout:  # else another stream has taken its place meanwhile
            sys.stdout = self.stdout.stream
        if self.stderr is not None:
            self.stderr.value = self.before


_redirections: list[_Redirection] = []


@contextmanager
def captured() -> Iterator[list[str]]:
    """Capture the output of the library in this thread; yields the list that collects it."""
    texts: list[str] = []
    with _lock:
        if not _texts:
            _redirections.append(_Redirection())
        _texts[threading.get_ident()] = texts
    try:
        yield texts
    finally:
        with _lock:
            del _texts[threading.get_ident()]
            if not _texts:
                _redirections.pop().undo()


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

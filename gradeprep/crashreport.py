"""What this process is at, kept where its guardian can read it once the process has crashed.

A library that crashes takes its process with it, and says nothing. So whatever is about to be
done with somebody else's file is noted first, in memory that outlives the process. The guardian
(`gradeprep.entry`) reads it there, and begins anew with what it read in `crashed`: the same thing
is then not tried again but fails as any torn frame does, and everything else goes on.

A time limit is the kernel's alarm, which ends a loop in native code too. Where nobody guards this
process, nothing here has any effect: a library must not end its caller.
"""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from gradeprep.errors import PlateError

__all__ = [
    "BYTES",
    "Memory",
    "Word",
    "at",
    "begun",
    "crashed",
    "decode",
    "listen",
    "timed",
    "tolerated",
]

BYTES = 1 << 16
"""Room for the words of all threads."""


class Memory(Protocol):
    """Bytes that outlive this process."""

    def __setitem__(self, place: slice, content: bytes, /) -> None: ...


@dataclass(frozen=True, slots=True)
class Word:
    """What a thread is at.

    Attributes:
        doing: In words, as the subject of a sentence: ``reading it``.
        file: The file it is done to; empty where it is a whole plate.
        shot: The shot concerned; empty where that is not known.
    """

    doing: str
    file: str
    shot: str

    def failed(self, how: str) -> PlateError:
        """What it comes to where it went wrong before: ``how`` ends the sentence."""
        return PlateError(
            f"{self.doing} {how}",
            shot=self.shot or None,
            file=self.file or None,
            remedy="look at the file" if self.file else "leave it out",
        )


crashed: dict[Word, str] = {}
"""What ended a process before this one, and how."""

_lock = threading.Lock()
_memory: Memory | None = None
_begun = False
_single = False
_limited = False
_now: dict[int, list[tuple[Word, float]]] = {}


def listen(memory: Memory, *, single: bool) -> None:
    """From now on a guardian reads ``memory``; ``single`` asks for one thing at a time."""
    global _memory, _limited, _single, _begun
    _memory, _limited, _single, _begun = memory, True, single, False
    _write_out()


def timed() -> None:
    """From now on something may end this process after a time limit: it is a worker."""
    global _limited
    _limited = True


def tolerated(threads: int) -> int:
    """So many threads, or one where a crash must be traced to what was done."""
    return 1 if _single else threads


def begun() -> None:
    """Results are being written from now on: what comes next finds them there."""
    global _begun
    _begun = True
    _write_out()


@contextmanager
def at(doing: str, file: Path | str = "", *, shot: str = "", seconds: int = 0) -> Iterator[None]:
    """Do something that may crash, or never end.

    Args:
        doing: In words, as the subject of a sentence.
        file: The file it is done to.
        shot: The shot concerned, where there is no file.
        seconds: Time limit; none when left out.

    Raises:
        PlateError: It ended the process before this one.
    """
    word = Word(doing, str(file), shot)
    if word in crashed:
        raise word.failed(crashed[word])
    if not _limited:
        yield
        return
    thread = threading.get_ident()
    deadline = time.monotonic() + seconds if seconds else math.inf
    with _lock:
        _now.setdefault(thread, []).append((word, deadline))
        _write_out()
    try:
        yield
    finally:
        with _lock:
            _now[thread].pop()
            if not _now[thread]:
                del _now[thread]
            _write_out()


def _write_out() -> None:
    """Write down what each thread is at, and set the alarm to the nearest deadline."""
    if _memory is not None:
        words = (words[-1][0] for words in _now.values())
        text = "\0".join(f"{word.doing}\1{word.file}\1{word.shot}" for word in words)
        content = text.encode("utf-8", "surrogateescape")[: BYTES - 5]
        _memory[0:5] = bytes([_begun]) + len(content).to_bytes(4, "little")
        _memory[5 : 5 + len(content)] = content
    nearest = min((end for words in _now.values() for _, end in words), default=math.inf)
    if hasattr(signal, "alarm"):
        left = nearest - time.monotonic()
        signal.alarm(0 if math.isinf(left) else max(1, math.ceil(left)))


def decode(content: bytes) -> tuple[bool, list[Word]]:
    """Whether results were being written, and what each thread was at."""
    size = int.from_bytes(content[1:5], "little")
    text = content[5 : 5 + size].decode("utf-8", "surrogateescape")
    words = [Word(*found.split("\1")) for found in text.split("\0") if found.count("\1") == 2]
    return bool(content[0]), words

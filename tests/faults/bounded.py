"""Reading hostile inputs in a process that may crash, hang or ask for too much, and is replaced.

The process gets a limit on memory and a time for each input. What ends it is told by the signal
that it ended with; the next process goes on behind the input that did it.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import resource
import signal
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.plates import limits

from .mutate import mutated
from .targets import Target

__all__ = ["MEMORY", "SECONDS", "Finding", "read_all"]

SECONDS = 10
"""Time for one input."""

MEMORY = 4 * 2**30
"""Bytes of address space that a process may have."""

_PICTURE_GIB = "0.25"
"""Largest picture that is read, so that memory which runs out was asked for on a header's word."""


@dataclass(frozen=True, slots=True)
class Finding:
    """An input that was not simply read or refused.

    Attributes:
        target: Who read it.
        index: Its number.
        kind: ``hang``, ``crash`` or ``error``.
        what: The error, or the signal.
    """

    target: str
    index: int
    kind: str
    what: str


def made(target: str, index: int, seed: int, good: Sequence[bytes]) -> bytes:
    """Input of that number."""
    return mutated(good, random.Random(f"{seed} {target} {index}"))


def read_all(
    target: Target, good: Sequence[bytes], *, count: int, seed: int, folder: Path
) -> Iterator[Finding]:
    """Let the target read so many mutated inputs.

    Args:
        target: Who reads.
        good: What is mutated.
        count: Number of inputs.
        seed: What the changes are drawn from.
        folder: Where inputs stand while they are read, and stay if something is found.
    """
    folder.mkdir(parents=True, exist_ok=True)
    start = multiprocessing.get_context("spawn")
    at = start.Value("q", 0)
    while at.value < count:
        ours, theirs = start.Pipe(duplex=False)
        order = (target, tuple(good), count, seed, folder)
        worker = start.Process(target=_work, args=(order, at, theirs))
        worker.start()
        theirs.close()
        with contextlib.suppress(EOFError):
            while True:
                yield ours.recv()
        worker.join()
        if worker.exitcode:
            index = at.value
            number = -worker.exitcode
            kind = "hang" if number == signal.SIGALRM else "crash"
            what = signal.Signals(number).name if number > 0 else f"exit code {worker.exitcode}"
            _keep(folder, target, index, made(target.name, index, seed, good))
            yield Finding(target.name, index, kind, what)
            at.value = index + 1


def _work(order: tuple[Target, Sequence[bytes], int, int, Path], at: Any, found: Any) -> None:
    target, good, count, seed, folder = order
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.signal(signal.SIGALRM, signal.SIG_DFL)  # which ends a native loop too
    os.environ[limits.BYTES] = _PICTURE_GIB
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 2)
    path = folder / f"input-{os.getpid()}{target.suffix}"
    while at.value < count:
        raw = made(target.name, at.value, seed, good)
        path.write_bytes(raw)
        signal.alarm(SECONDS)
        try:
            target.read(path)
        except (GradeprepError, *target.refuses):
            pass
        except Exception as error:
            what = f"{type(error).__name__}: {error}"[:300]
            _keep(folder, target, at.value, raw)
            found.send(Finding(target.name, at.value, "error", what))
        signal.alarm(0)
        at.value += 1
    path.unlink()


def _keep(folder: Path, target: Target, index: int, raw: bytes) -> None:
    name = f"{target.name.replace(' ', '-')}-{index}{target.suffix}"
    (folder / name).write_bytes(raw)

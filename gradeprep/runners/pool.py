"""Spawned worker processes: frames in parallel, none lost with a worker that dies.

Workers are spawned, never forked: a fork after any image I/O hangs. They leave Ctrl-C and SIGTERM
to the parent, which lets the frames in flight finish. A worker that dies takes no other frame
with it: what was in flight runs again alone, and a frame that kills its worker twice is named.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from multiprocessing.connection import wait as wait_for
from multiprocessing.util import Finalize
from typing import TypeVar

from gradeprep import crashreport, machine
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.plates import exr
from gradeprep.runners.outcome import Failed, Work, do_one, end_if

__all__ = ["deaf", "run"]

GLANCE = 0.5
"""Seconds between two looks at whether somebody wants to stop."""

_LAST = -1000
"""Priority of what a worker does at its very end."""

_LEFT_TO_PARENT = (signal.SIGINT, signal.SIGTERM)

T = TypeVar("T")


def run(
    document: ShotDocument, work: Work[T], *, jobs: int, stop: threading.Event
) -> Generator[T | Failed, None, None]:
    """Do all frames of a document in ``jobs`` workers, in any order; one outcome a frame.

    Closing it early, or setting ``stop``, lets the frames in flight finish and begins no other.

    Raises:
        KeyboardInterrupt: ``stop`` was set, and everything that had begun is reported.
    """
    crashed = yield from _pooled(document, work, min(jobs, len(document.frames)), stop)
    for entry in crashed:
        end_if(stop)
        yield from _alone(document.work(entry), work)


class _Queue:
    """Entries that no worker has; each is made when it is next."""

    def __init__(self, entries: Iterable[FrameEntry]) -> None:
        self._rest = iter(entries)
        self._next = deque(islice(self._rest, 1))

    def __bool__(self) -> bool:
        return bool(self._next)

    @property
    def first(self) -> FrameEntry:
        """The one that is next."""
        return self._next[0]

    def pop(self) -> FrameEntry:
        """The one that is next, which waits no longer."""
        entry = self._next.popleft()
        if not self._next:
            self._next.extend(islice(self._rest, 1))
        return entry

    def back(self, entries: Iterable[FrameEntry]) -> None:
        """Some that wait again."""
        self._next.extend(entries)


def _pooled(
    document: ShotDocument, work: Work[T], jobs: int, stop: threading.Event
) -> Generator[T | Failed, None, list[FrameEntry]]:
    """Yield outcomes; return the entries that were in flight whenever a worker died."""
    waiting = _Queue(document.frames)
    lost: list[FrameEntry] = []
    while waiting:
        flying: dict[Future[T | Failed], FrameEntry] = {}
        with _pool(jobs) as pool:
            try:
                yield from _fly(document, work, pool, jobs, waiting, flying, stop)
            except BrokenProcessPool:
                lost.extend(flying.values())
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
    return lost


def _fly(
    document: ShotDocument,
    work: Work[T],
    pool: ProcessPoolExecutor,
    jobs: int,
    waiting: _Queue,
    flying: dict[Future[T | Failed], FrameEntry],
    stop: threading.Event,
) -> Generator[T | Failed, None, None]:
    """Keep the pool fed, two frames a worker, until nothing waits or flies."""
    while waiting or flying:
        if stop.is_set():
            waiting.back(flying.pop(future) for future in list(flying) if future.cancel())
            if waiting and not flying:
                raise KeyboardInterrupt
        while waiting and len(flying) < 2 * jobs and not stop.is_set():
            with deaf():
                future = pool.submit(do_one, work, document.work(waiting.first))
            flying[future] = waiting.pop()
        done, _ = wait(flying, timeout=GLANCE, return_when=FIRST_COMPLETED)
        for future in done:
            outcome = future.result()
            del flying[future]
            yield outcome


def _alone(document: ShotDocument, work: Work[T]) -> Generator[T | Failed, None, None]:
    entry = document.frames[0]
    with _pool(1) as pool:
        try:
            with deaf():
                future = pool.submit(do_one, work, document)
            yield future.result()
        except BrokenProcessPool:
            yield Failed(
                entry.number,
                f"{document.shot} frame {entry.number}: {entry.source}: the worker died twice over "
                "it (a crash in a codec, or out of memory); look at the file, or use fewer --jobs",
            )


def _pool(jobs: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker
    )


@contextmanager
def deaf() -> Iterator[None]:
    """Workers that start in here hear no Ctrl-C from their first moment, their imports included."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _LEFT_TO_PARENT)
    try:
        yield
    finally:  # what came meanwhile is heard now
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _start_worker() -> None:
    for number in _LEFT_TO_PARENT:
        signal.signal(number, signal.SIG_IGN)
    exr.set_threads(0)
    machine.keep_freed()
    crashreport.timed()
    Finalize(None, _leave, exitpriority=_LAST)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_die_with, args=(parent.sentinel,), daemon=True).start()


def _leave() -> None:
    """End at once: taking every object of every library apart takes longer than a small frame."""
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)


def _die_with(sentinel: int) -> None:
    """A killed parent must not leave workers behind that go on writing."""
    wait_for([sentinel])
    os._exit(1)

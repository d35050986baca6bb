"""This machine: frames in parallel in worker processes, or one after the other right here.

Workers are spawned, never forked: a fork after any image I/O hangs. They leave Ctrl-C and SIGTERM
to the parent, which lets the frames in flight finish. A worker that dies takes no other frame
with it: what was in flight runs again alone, and a frame that kills its worker twice is told.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import wait as wait_for
from typing import TypeVar

from gradeprep.errors import GradeprepError
from gradeprep.model.task import FrameOrder, Task
from gradeprep.plates import exr

__all__ = ["Failed", "Work", "run"]

FEW = 2
"""So few frames are done before a worker would have started."""


@dataclass(frozen=True, slots=True)
class Failed:
    """A frame that could not be done.

    Attributes:
        number: Frame number.
        error: One line: shot, frame, file, what and what to do.
        trace: The traceback, for who asks for it.
    """

    number: int
    error: str
    trace: str = ""


GLANCE = 0.5
"""Seconds between two looks at whether somebody wants to stop."""

_LEFT_TO_PARENT = (signal.SIGINT, signal.SIGTERM)

T = TypeVar("T")
Work = Callable[[Task, FrameOrder], T]
"""What is done to one frame; a function that a worker process can import."""


def run(
    task: Task, work: Work[T], *, jobs: int, stop: threading.Event | None = None
) -> Generator[T | Failed, None, None]:
    """Do all frames of a task, in any order; one outcome a frame.

    Closing it early, or setting ``stop``, lets the frames in flight finish and begins no other.

    Args:
        task: What is ordered.
        work: What is done to each frame.
        jobs: Number of frames at once.
        stop: Set by somebody else to end early; the outcomes of frames in flight still come.

    Raises:
        KeyboardInterrupt: ``stop`` was set, and everything that had begun is told.
    """
    stop = stop or threading.Event()
    if jobs <= 1 or len(task.frames) <= FEW:
        exr.set_threads(jobs if jobs > 1 else 0)
        for order in task.frames:
            _end_if(stop)
            yield _one(work, task.only((order,)))
        return
    crashed = yield from _pooled(task, work, min(jobs, len(task.frames)), stop)
    for order in crashed:
        _end_if(stop)
        yield from _alone(task.only((order,)), work)


def _end_if(stop: threading.Event) -> None:
    if stop.is_set():
        raise KeyboardInterrupt


def _one(work: Work[T], task: Task) -> T | Failed:
    """One frame, with its failure as a value that any process can hand on."""
    order = task.frames[0]
    try:
        return work(task, order)
    except GradeprepError as error:
        return Failed(order.number, str(error), _trace(error))
    except Exception as error:  # a fault of ours, or of a plugin, must not stop the others
        what = f"{task.shot} frame {order.number}: {order.source}: internal error"
        return Failed(order.number, f"{what}: {type(error).__name__}: {error}", _trace(error))


def _trace(error: BaseException) -> str:
    return "".join(traceback.format_exception(error))


def _pooled(
    task: Task, work: Work[T], jobs: int, stop: threading.Event
) -> Generator[T | Failed, None, list[FrameOrder]]:
    """Yield outcomes; return the orders that were in flight whenever a worker died."""
    waiting = list(reversed(task.frames))
    lost: list[FrameOrder] = []
    while waiting:
        flying: dict[Future[T | Failed], FrameOrder] = {}
        with _pool(jobs) as pool:
            try:
                yield from _fly(task, work, pool, jobs, waiting, flying, stop)
            except BrokenProcessPool:
                lost.extend(flying.values())
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
    return lost


def _fly(
    task: Task,
    work: Work[T],
    pool: ProcessPoolExecutor,
    jobs: int,
    waiting: list[FrameOrder],
    flying: dict[Future[T | Failed], FrameOrder],
    stop: threading.Event,
) -> Generator[T | Failed, None, None]:
    """Keep the pool fed, two frames a worker, until nothing waits or flies."""
    while waiting or flying:
        if stop.is_set():
            waiting.extend(flying.pop(future) for future in list(flying) if future.cancel())
            if waiting and not flying:
                raise KeyboardInterrupt
        while waiting and len(flying) < 2 * jobs and not stop.is_set():
            with _deaf():
                future = pool.submit(_one, work, task.only((waiting[-1],)))
            flying[future] = waiting.pop()
        done, _ = wait(flying, timeout=GLANCE, return_when=FIRST_COMPLETED)
        for future in done:
            outcome = future.result()
            del flying[future]
            yield outcome


def _alone(task: Task, work: Work[T]) -> Generator[T | Failed, None, None]:
    order = task.frames[0]
    with _pool(1) as pool:
        try:
            with _deaf():
                future = pool.submit(_one, work, task)
            yield future.result()
        except BrokenProcessPool:
            yield Failed(
                order.number,
                f"{task.shot} frame {order.number}: {order.source}: the worker died twice over "
                "it (a crash in a codec, or out of memory); look at the file, or use fewer --jobs",
            )


def _pool(jobs: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker
    )


@contextmanager
def _deaf() -> Iterator[None]:
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
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_die_with, args=(parent.sentinel,), daemon=True).start()


def _die_with(sentinel: int) -> None:
    """A killed parent must not leave workers behind that go on writing."""
    wait_for([sentinel])
    os._exit(1)

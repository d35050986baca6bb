"""Work that a worker process can import, for the tests of the runner."""

from __future__ import annotations

import multiprocessing
import os
import signal
from pathlib import Path

from gradeprep.errors import TornFrameError
from gradeprep.model.order import ColourOrder, FrameOrder, OutputOrder, Task

__all__ = [
    "MARK",
    "bad_at_three",
    "deaf_to",
    "dies_at_three",
    "dies_once_at_three",
    "facts",
    "marked",
    "said",
    "task",
]

MARK = {"here": "imported"}
"""A test changes it: a forked worker would see the change, a spawned one does not."""


def task(folder: Path, count: int) -> Task:
    """An order of frames 1 to ``count`` whose results would stand in the folder."""
    space = "ACEScg"
    return Task(
        shot="quay",
        digest="sha256:0",
        kernel="carry",
        colour=ColourOrder(config="", sha256="", working=space, source=space, result=space),
        layers=("",),
        output=OutputOrder(format="exr", type="source", compression="source"),
        frames=tuple(
            FrameOrder(number=n, source=f"quay.{n}.exr", result=str(folder / str(n)), stages=())
            for n in range(1, count + 1)
        ),
    )


def facts(task: Task, order: FrameOrder) -> tuple[int, int, bool, str]:
    """Frame number, process, whether Ctrl-C is ignored there, and the mark."""
    ignores = signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    return order.number, os.getpid(), ignores, MARK["here"]


def deaf_to(task: Task, order: FrameOrder) -> set[int]:
    """Signals that do not reach the process, as it inherited that from its parent."""
    return set(signal.pthread_sigmask(signal.SIG_BLOCK, ()))


def marked(task: Task, order: FrameOrder) -> int:
    """Leaves a mark under the result's name."""
    Path(order.result).touch()
    return order.number


def bad_at_three(task: Task, order: FrameOrder) -> int:
    """Frame 3 is torn, frame 4 meets a fault of the program."""
    if order.number == 3:
        raise TornFrameError("is torn", shot=task.shot, frame=3, file=order.source)
    if order.number == 4:
        raise ZeroDivisionError("a fault")
    return order.number


def dies_at_three(task: Task, order: FrameOrder) -> int:
    """Frame 3 kills whatever worker takes it."""
    if order.number == 3:
        _die()
    return marked(task, order)


def dies_once_at_three(task: Task, order: FrameOrder) -> int:
    """Frame 3 kills the first worker that takes it."""
    if order.number == 3 and not Path(f"{order.result}.died").exists():
        Path(f"{order.result}.died").touch()
        _die()
    return marked(task, order)


def _die() -> None:
    assert multiprocessing.parent_process() is not None, "this is no worker"
    os._exit(9)


def said(task: Task, order: FrameOrder) -> int:
    """Says so, and leaves it in the buffer."""
    print(f"frame {order.number}")
    return order.number

"""Work that a worker process can import, for the tests of the runner."""

from __future__ import annotations

import multiprocessing
import os
import signal
from pathlib import Path

from gradeprep.errors import TornFrameError
from gradeprep.model.order import ColourOrder, OutputOrder
from gradeprep.model.record import PlateRecord, Reversible
from gradeprep.model.shot import FrameEntry, ShotDocument

__all__ = [
    "MARK",
    "bad_at_three",
    "deaf_to",
    "dies_at_three",
    "dies_once_at_three",
    "document",
    "facts",
    "marked",
    "said",
]

MARK = {"here": "imported"}
"""A test changes it: a forked worker would see the change, a spawned one does not."""


def document(folder: Path, count: int) -> ShotDocument:
    """A shot of frames 1 to ``count`` whose results would stand in the folder."""
    space = "ACEScg"
    plate = PlateRecord(
        pattern="quay.#.exr", frames=f"1-{count}", format="exr", type="half", compression="zip"
    )
    return ShotDocument(
        tool="gradeprep",
        shot="quay",
        digest="sha256:0",
        source=plate,
        result=plate,
        folder=str(folder),
        colour=ColourOrder(config="", sha256="", working=space, source=space, result=space),
        layers=("",),
        types=("half",),
        output=OutputOrder(format="exr", type="source", compression="source"),
        reversible=Reversible(exact=True, ulp=0.0, why="nothing was changed"),
        frames=tuple(
            FrameEntry(
                number=n,
                source=f"quay.{n}.exr",
                result=str(folder / str(n)),
                stages=(),
                stops=0.0,
                kernels=("carry",),
            )
            for n in range(1, count + 1)
        ),
    )


def facts(document: ShotDocument, entry: FrameEntry) -> tuple[int, int, bool, str]:
    """Frame number, process, whether Ctrl-C is ignored there, and the mark."""
    ignores = signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    return entry.number, os.getpid(), ignores, MARK["here"]


def deaf_to(document: ShotDocument, entry: FrameEntry) -> set[int]:
    """Signals that do not reach the process, as it inherited that from its parent."""
    return set(signal.pthread_sigmask(signal.SIG_BLOCK, ()))


def marked(document: ShotDocument, entry: FrameEntry) -> int:
    """Leaves a mark under the result's name."""
    Path(entry.result).touch()
    return entry.number


def bad_at_three(document: ShotDocument, entry: FrameEntry) -> int:
    """Frame 3 is torn, frame 4 meets a fault of the program."""
    if entry.number == 3:
        raise TornFrameError("is torn", shot=document.shot, frame=3, file=entry.source)
    if entry.number == 4:
        raise ZeroDivisionError("a fault")
    return entry.number


def dies_at_three(document: ShotDocument, entry: FrameEntry) -> int:
    """Frame 3 kills whatever worker takes it."""
    if entry.number == 3:
        _die()
    return marked(document, entry)


def dies_once_at_three(document: ShotDocument, entry: FrameEntry) -> int:
    """Frame 3 kills the first worker that takes it."""
    if entry.number == 3 and not Path(f"{entry.result}.died").exists():
        Path(f"{entry.result}.died").touch()
        _die()
    return marked(document, entry)


def _die() -> None:
    assert multiprocessing.parent_process() is not None, "this is no worker"
    os._exit(9)


def said(document: ShotDocument, entry: FrameEntry) -> int:
    """Says so, and leaves it in the buffer."""
    print(f"frame {entry.number}")
    return entry.number

"""This machine: a few frames one after the other right here, many in parallel in workers."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field
from typing import Self, TypeVar

from gradeprep import machine
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.flow import run_frame
from gradeprep.plates import exr
from gradeprep.runners.memory import fitting
from gradeprep.runners.outcome import Failed, Work, do_one, end_if

__all__ = ["FEW", "Local", "run"]

FEW = 2
"""So few frames are done before a worker would have started."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Local:
    """The engine that is this machine.

    Attributes:
        jobs: Frames at once, fewer where memory holds fewer; one a processor by default.
        memory: Bytes that the frames in flight may take; a share of what is free when None.
        report: Called with one line where memory holds fewer.
    """

    jobs: int = field(default_factory=machine.processors)
    memory: int | None = None
    report: Callable[[str], None] = lambda line: None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        """Workers start and end with each shot."""

    def ready(self, documents: Sequence[ShotDocument]) -> None:
        """This machine made the plan; only its memory may be too small for so many at once."""
        for document in documents:
            wish = min(self.jobs, len(document.frames))
            fit = fitting(document, jobs=wish, memory=self.memory)
            if fit < wish:
                self.report(f"{document.shot}: {fit} at a time, not {wish}: memory holds no more")

    def run(
        self, document: ShotDocument, *, stop: threading.Event
    ) -> Generator[FrameEntry | Failed, None, None]:
        """Do all frames of a document; see `Engine.run`."""
        return run(document, run_frame, jobs=self.jobs, memory=self.memory, stop=stop)


def run(
    document: ShotDocument,
    work: Work[T],
    *,
    jobs: int,
    memory: int | None = None,
    stop: threading.Event | None = None,
) -> Generator[T | Failed, None, None]:
    """Do all frames of a document, in any order; one outcome a frame.

    Closing it early, or setting ``stop``, lets the frames in flight finish and begins no other.

    Args:
        document: The decision, and the frames to do.
        work: What is done to each frame.
        jobs: Number of frames at once, fewer where memory holds fewer.
        memory: Bytes that the frames in flight may take; a share of what is free when left out.
        stop: Set by somebody else to end early; the outcomes of frames in flight still come.

    Raises:
        KeyboardInterrupt: ``stop`` was set, and everything that had begun is reported.
    """
    stop = stop or threading.Event()
    jobs = fitting(document, jobs=jobs, memory=memory)
    if jobs > 1 and len(document.frames) > FEW:
        from gradeprep.runners import pool  # a run of a few frames starts without it

        yield from pool.run(document, work, jobs=jobs, stop=stop)
        return
    exr.set_threads(jobs if jobs > 1 else 0)
    machine.keep_freed()
    for entry in document.frames:
        end_if(stop)
        yield do_one(work, document.work(entry))

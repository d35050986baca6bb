"""One frame, done wherever it is: its failure is a value that any process can hand on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from gradeprep import crashreport
from gradeprep.errors import GradeprepError
from gradeprep.model.shot import FrameEntry, ShotDocument

__all__ = ["Failed", "Work", "do_one", "end_if"]

T = TypeVar("T")
Work = Callable[[ShotDocument, FrameEntry], T]
"""What is done to one frame; a function that a worker process can import."""


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


def do_one(work: Work[T], document: ShotDocument) -> T | Failed:
    """Do a document of one frame."""
    entry = document.frames[0]
    try:
        with crashreport.at("working on it", entry.source):
            return work(document, entry)
    except GradeprepError as error:
        error.at(shot=document.shot, frame=entry.number, file=entry.source)
        return Failed(entry.number, str(error), _trace(error))
    except Exception as error:  # a fault of ours, or of a plugin, must not stop the others
        what = f"{document.shot} frame {entry.number}: {entry.source}: internal error"
        return Failed(entry.number, f"{what}: {type(error).__name__}: {error}", _trace(error))


def _trace(error: BaseException) -> str:
    import traceback  # needed where something failed only, and slow to load

    return "".join(traceback.format_exception(error))


def end_if(stop: threading.Event) -> None:
    """End here if somebody asked for it.

    Raises:
        KeyboardInterrupt: ``stop`` is set.
    """
    if stop.is_set():
        raise KeyboardInterrupt

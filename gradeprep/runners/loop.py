"""The one loop over the frames of a shot: for a run here, elsewhere, and for a farm's chunk."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass

from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.runners.engine import Engine
from gradeprep.runners.outcome import Failed

__all__ = ["Progress", "run_frames"]


@dataclass(frozen=True, slots=True)
class Progress:
    """One frame is done, or failed, or was kept.

    Attributes:
        shot: Name of the shot.
        done: Frames of the shot, or of the chunk, that are finished.
        total: Frames of the shot, or of the chunk.
        number: Frame number.
        error: One line where it failed.
    """

    shot: str
    done: int
    total: int
    number: int
    error: str = ""


def run_frames(
    document: ShotDocument,
    kept: Sequence[FrameEntry],
    engine: Engine,
    *,
    keep: Callable[[FrameEntry], None],
    report: Callable[[Progress], None],
    stop: threading.Event,
) -> tuple[Failed, ...]:
    """Do the frames of a document that are not kept.

    Args:
        document: What was decided.
        kept: Entries of frames that are done already.
        engine: What runs the others; it has begun.
        keep: Called with each entry that is done now.
        report: Called after every frame, the kept ones first.
        stop: Set by somebody else to end early.

    Returns:
        The frames that failed, by number.

    Raises:
        KeyboardInterrupt: ``stop`` was set; frames in flight were finished and kept.
        WriteError: What ``keep`` raised; frames in flight are finished.
    """
    name, total = document.shot, len(document.frames)
    for done, entry in enumerate(kept, 1):
        report(Progress(name, done, total, entry.number))
    there = {entry.number for entry in kept}
    todo = document
    if there:
        todo = todo.only([entry for entry in todo.frames if entry.number not in there])
    if not todo.frames:
        return ()
    failed: list[Failed] = []
    with closing(engine.run(todo, stop=stop)) as work:
        for done, outcome in enumerate(work, len(kept) + 1):
            error = ""
            if isinstance(outcome, Failed):
                failed.append(outcome)
                error = outcome.error
            else:
                keep(outcome)
            report(Progress(name, done, total, outcome.number, error))
    return tuple(sorted(failed, key=lambda frame: frame.number))

"""What goes to a worker and what comes back, as JSON text; workers check what they are given.

Paths travel absolute, for a worker stands in another folder.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from gradeprep.model.order import ColourOrder
from gradeprep.model.shot import FrameEntry, ShotDocument, relocate
from gradeprep.runners import lock
from gradeprep.runners.outcome import Failed
from gradeprep.runners.versions import stages_of, versions

__all__ = ["Answer", "Chunk", "WorkerCheck", "Wire", "as_ordered", "look_for", "travelling"]

_SAMPLES = 32
"""Source files of a shot that every worker must see, evenly over it, before the first frame; that
it sees the others shows when their turn comes."""


class Wire(BaseModel):
    """Base of what travels: frozen, no unknown key."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class WorkerCheck(Wire):
    """What a worker must have and see as its parent does.

    Attributes:
        run: Random name of the run.
        shot: Name of the shot.
        versions: What makes the results, with its versions.
        colour: The colour decision: config, files and hashes.
        claim: The lock that the parent holds beside the results.
        signed: Its content. Whoever reads the same stands before the same folder, and a frame
            begins only as long as it says so.
        sources: Some source files, with their sizes in bytes.
    """

    run: str
    shot: str
    versions: Mapping[str, str]
    colour: ColourOrder
    claim: str
    signed: str
    sources: Mapping[str, int]


class Chunk(Wire):
    """Some frames of a shot, for a worker."""

    look: WorkerCheck
    document: ShotDocument


class Answer(Wire):
    """What became of a chunk.

    Attributes:
        worker: Its address.
        refused: Why it was not begun, a line each.
        done: Frames that are done.
        failed: Frames that could not be done.
        left: Numbers of frames that were not begun, since the run was stopped.
        seconds: Time that the frames took.
    """

    worker: str
    refused: tuple[str, ...] = ()
    done: tuple[FrameEntry, ...] = ()
    failed: tuple[Failed, ...] = ()
    left: tuple[int, ...] = ()
    seconds: float = 0.0


def look_for(document: ShotDocument, run: str) -> WorkerCheck:
    """What workers must have and see to do a shot, whose claim is held here and now.

    Args:
        document: What is ordered; its paths are absolute.
        run: Random name of the run.
    """
    claim = lock.path_for(Path(document.folder), document.shot)
    step = max(1, len(document.frames) // _SAMPLES)
    some = (*document.frames[::step], document.frames[-1])
    return WorkerCheck(
        run=run,
        shot=document.shot,
        versions=versions(stages_of((document,))),
        colour=document.colour,
        claim=str(claim),
        signed=claim.read_text(encoding="utf-8"),
        sources={entry.source: Path(entry.source).stat().st_size for entry in some},
    )


def travelling(document: ShotDocument) -> ShotDocument:
    """The document with absolute paths, without what only the sidecar says."""
    return relocate(document.work(*document.frames), _absolute)


def _absolute(path: str) -> str:
    return os.path.abspath(path) if path else path  # noqa: PTH100 - links stay what they are


def as_ordered(outcome: FrameEntry | Failed, ordered: FrameEntry) -> FrameEntry | Failed:
    """An outcome with the paths of its order, as they were before they travelled."""
    if isinstance(outcome, Failed):
        error = outcome.error.replace(_absolute(ordered.source), ordered.source)
        error = error.replace(_absolute(ordered.result), ordered.result)
        return Failed(outcome.number, error, outcome.trace)
    return ordered.with_result(outcome.finished)

"""What goes to a worker and what comes back, as JSON text; workers check what they are given.

Paths travel absolute and come back as the order has them, so that a record is the same wherever
it was made.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import replace
from importlib import metadata
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from gradeprep._version import __version__
from gradeprep.model.record import FrameRecord
from gradeprep.model.task import ARITHMETIC, ColourOrder, FrameOrder, Task
from gradeprep.plugins.registry import installed
from gradeprep.runners import lock
from gradeprep.runners.one import Failed

__all__ = [
    "Answer",
    "Chunk",
    "Look",
    "Wire",
    "as_ordered",
    "look_for",
    "stage_sources",
    "travelling",
    "versions",
]

_LIBRARIES = ("opencolorio", "OpenEXR", "openimageio", "numpy")
_SAMPLES = 32
"""Source files of a shot that every worker must see, evenly over it, before the first frame; that
it sees the others shows when their turn comes."""


class Wire(BaseModel):
    """Base of what travels: frozen, nothing unknown in it."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Look(Wire):
    """What a worker must have and see as its parent does.

    Attributes:
        run: Random name of the run.
        shot: Name of the shot.
        versions: What makes the pixels, with its versions.
        stages: Stage plugins of the shot, and where each comes from.
        colour: The colour decision: config, files and hashes.
        claim: The lock that the parent holds beside the results.
        signed: Its content. Whoever reads the same stands before the same folder, and a frame
            begins only as long as it says so.
        sources: Some source files, with their sizes in bytes.
    """

    run: str
    shot: str
    versions: Mapping[str, str]
    stages: Mapping[str, str]
    colour: ColourOrder
    claim: str
    signed: str
    sources: Mapping[str, int]


class Chunk(Wire):
    """Some frames of a shot, for a worker."""

    look: Look
    task: Task


class Answer(Wire):
    """What became of a chunk.

    Attributes:
        worker: Its address.
        refused: Why it was not begun, a line each.
        records: Frames that were done.
        failed: Frames that could not be done.
        left: Numbers of frames that were not begun, since the run was stopped.
        seconds: Time that the frames took.
    """

    worker: str
    refused: tuple[str, ...] = ()
    records: tuple[FrameRecord, ...] = ()
    failed: tuple[Failed, ...] = ()
    left: tuple[int, ...] = ()
    seconds: float = 0.0


def versions() -> dict[str, str]:
    """What makes the pixels here."""
    found = {"gradeprep": __version__, "its arithmetic": str(ARITHMETIC)}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "absent"
    return found


def stage_sources(names: Iterable[str]) -> dict[str, str]:
    """Where the stage plugins of those names come from here."""
    entries = installed().entries
    return {
        name: " and ".join(e.source for e in entries if e.kind == "stages" and e.name == name)
        for name in sorted(set(names))
    }


def look_for(task: Task, run: str) -> Look:
    """What workers must have and see to do a task, whose claim is held here and now."""
    task = travelling(task)
    claim = lock.path_for(Path(task.frames[0].result).parent, task.shot)
    step = max(1, len(task.frames) // _SAMPLES)
    some = (*task.frames[::step], task.frames[-1])
    return Look(
        run=run,
        shot=task.shot,
        versions=versions(),
        stages=stage_sources(stage.stage for order in task.frames for stage in order.stages),
        colour=task.colour,
        claim=str(claim),
        signed=claim.read_text(encoding="utf-8"),
        sources={order.source: Path(order.source).stat().st_size for order in some},
    )


def travelling(task: Task) -> Task:
    """The task with every path in it absolute: a worker stands in another folder."""
    colour = task.colour
    config = colour.config if colour.config.startswith("ocio://") else _absolute(colour.config)
    files = {_absolute(name): told for name, told in colour.files.items()}
    frames = tuple(
        replace(order, source=_absolute(order.source), result=_absolute(order.result))
        for order in task.frames
    )
    colour = colour.model_copy(update={"config": config, "files": files})
    return task.model_copy(update={"colour": colour, "frames": frames})


def _absolute(path: str) -> str:
    return os.path.abspath(path) if path else path  # noqa: PTH100 - links stay what they are


def as_ordered(
    outcome: FrameRecord | Failed, orders: Mapping[int, FrameOrder]
) -> FrameRecord | Failed:
    """An outcome with the paths of its order, as they were before they travelled."""
    order = orders[outcome.number]
    if isinstance(outcome, Failed):
        error = outcome.error.replace(_absolute(order.source), order.source)
        return Failed(
            outcome.number, error.replace(_absolute(order.result), order.result), outcome.trace
        )
    return outcome.model_copy(
        update={
            "source": outcome.source.model_copy(update={"file": order.source}),
            "result": outcome.result.model_copy(update={"file": order.result}),
        }
    )

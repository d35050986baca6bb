"""A chunk: some frames of a shot that a bundle orders, on whatever machine this is.

It may be killed, run again, or run twice at once: a frame is whole under its name or not there,
equal orders give equal bytes, and frames that are byte for byte what an earlier try recorded are
kept. Nothing is decided here and no meter runs.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import OutputRefusedError, RequestError
from gradeprep.farm import alike, part
from gradeprep.farm.bundle import Bundle
from gradeprep.farm.places import Places, placed, refuse_merged
from gradeprep.model.farmed import ShotOrder
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import FileRecord, FrameRecord
from gradeprep.model.task import FrameOrder
from gradeprep.pipeline.flow import planned_space, run_frame
from gradeprep.plates import atomic
from gradeprep.runners import local, share
from gradeprep.runners.folder import result_folder
from gradeprep.runners.journal import known_records, still_right
from gradeprep.runners.one import Failed

__all__ = ["ChunkResult", "Step", "run_chunk"]

EVERY = 10.0
"""Seconds between two looks of the disk at a chunk's records; what a kill costs is done again."""


@dataclass(frozen=True, slots=True)
class Step:
    """One frame is behind us.

    Attributes:
        done: Frames of the chunk behind us.
        total: Frames of the chunk.
        number: Frame number.
        error: One line where it failed.
    """

    done: int
    total: int
    number: int
    error: str = ""


@dataclass(frozen=True, slots=True)
class ChunkResult:
    """What became of a chunk.

    Attributes:
        done: Frames that stand there now.
        kept: Those of them that an earlier try had made.
        failed: Frames that failed.
    """

    done: int
    kept: int
    failed: tuple[Failed, ...]


@dataclass(slots=True)
class _Chunk:
    """A chunk in work.

    Attributes:
        shot: Name of the shot.
        id: Hash of the shot's order.
        told: The order as the bundle tells it.
        here: The order with paths as they are here.
        frames: The chunk's frames.
        part: Where its records wait.
        names: Number to the frame's order as the bundle tells it.
        records: Those made or kept so far.
    """

    shot: str
    id: str
    told: ShotOrder
    here: ShotOrder
    frames: FrameRange
    part: Path
    names: Mapping[int, FrameOrder] = field(init=False)
    records: list[FrameRecord] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.names = {order.number: order for order in self.told.task.frames}

    @property
    def orders(self) -> tuple[FrameOrder, ...]:
        """What is ordered for each frame, here."""
        return tuple(order for order in self.here.task.frames if order.number in self.frames)


def run_chunk(
    bundle: Bundle,
    shot: str,
    frames: FrameRange,
    *,
    places: Places,
    jobs: int,
    tell: Callable[[Step], None] = lambda step: None,
    stop: threading.Event | None = None,
) -> ChunkResult:
    """Make some frames of a shot, and leave their records beside the plates.

    Args:
        bundle: The bundle.
        shot: Name of the shot.
        frames: Some of its frames.
        places: Where the bundle's folders are on this machine.
        jobs: Frames at once.
        tell: Called after every frame.
        stop: Set by somebody else to end early.

    Raises:
        KeyboardInterrupt: ``stop`` was set; the records of what was done stand.
        RequestError: The bundle orders no such frames, this machine is not as it was planned
            for, or the recipe asks something else by now; nothing was touched.
        OutputRefusedError: Somebody else is at this shot.
        WriteError: The folder or the records cannot be written.
    """
    told = bundle.shot(shot)
    missing = frames - bundle.frames(shot)
    if missing:
        raise RequestError(
            f"frames {missing} are not in the bundle",
            shot=shot,
            key="--frames",
            remedy=f"it has {bundle.manifest.shots[shot].frames}",
        )
    here = placed(told, places)
    alike.refuse_other_versions(bundle.manifest, here.task)
    alike.refuse_changed_recipe(bundle.manifest, (shot,), places)
    refuse_merged(bundle.manifest, places)
    planned_space(here.task.colour)
    folder, order = Path(here.folder), bundle.manifest.shots[shot].sha256
    path = part.path_for(folder, shot, order, frames)
    chunk = _Chunk(shot, order, told, here, frames, path)
    _refuse_sources(chunk.orders, shot)
    with result_folder(folder), share.joined(folder, shot, order=order, frames=str(frames)):
        return _run(chunk, jobs=jobs, tell=tell, stop=stop)


def _run(
    chunk: _Chunk,
    *,
    jobs: int,
    tell: Callable[[Step], None],
    stop: threading.Event | None,
) -> ChunkResult:
    kept, todo = _kept(chunk)
    total, failed = len(chunk.frames), []
    chunk.records.extend(kept)
    for done, record in enumerate(kept, 1):
        tell(Step(done, total, record.number))
    written = time.monotonic()
    try:
        work = local.run(chunk.here.task.only(todo), run_frame, jobs=jobs, stop=stop)
        with closing(work):
            for outcome in work if todo else ():
                error = ""
                if isinstance(outcome, Failed):
                    failed.append(outcome)
                    error = outcome.error
                else:
                    chunk.records.append(_as_told(outcome, chunk.names))
                tell(Step(len(chunk.records) + len(failed), total, outcome.number, error))
                if time.monotonic() - written > EVERY:
                    part.add(chunk.part, chunk.shot, chunk.id, chunk.records)
                    written = time.monotonic()
    finally:
        if len(chunk.records) > len(kept):
            part.add(chunk.part, chunk.shot, chunk.id, chunk.records)
    by_number = sorted(failed, key=lambda frame: frame.number)
    return ChunkResult(len(chunk.records), len(kept), tuple(by_number))


def _kept(chunk: _Chunk) -> tuple[list[FrameRecord], tuple[FrameOrder, ...]]:
    """Records of frames that are byte for byte as an earlier try left them, and the other orders.

    A sealed shot has no parts any more; its sidecar tells the same.
    """
    folder = Path(chunk.here.folder)
    sealed = known_records(sidecar.path_for(folder, chunk.shot), chunk.here.task.digest)[1]
    known = {record.number: record for record in sealed}
    known |= {record.number: record for record in part.read(chunk.part, chunk.id)}
    kept, todo = [], []
    for order in chunk.orders:
        record = known.get(order.number)
        if record is not None and still_right(record, Path(order.source), Path(order.result)):
            kept.append(_as_told(record, chunk.names))
        else:
            todo.append(order)
    return kept, tuple(todo)


def _as_told(record: FrameRecord, names: Mapping[int, FrameOrder]) -> FrameRecord:
    """A record with its files as the bundle tells them, so that it means the same everywhere."""
    frame = names[record.number]
    return record.model_copy(
        update={
            "source": _named(record.source, frame.source),
            "result": _named(record.result, frame.result),
        }
    )


def _named(file: FileRecord, name: str) -> FileRecord:
    return file.model_copy(update={"file": name})


def _refuse_sources(orders: Iterable[FrameOrder], shot: str) -> None:
    """Links on this machine may lead a result to its source."""
    for order in orders:
        if atomic.same_file(Path(order.source), Path(order.result)):
            raise OutputRefusedError(
                "the output is the source",
                shot=shot,
                file=order.result,
                remedy="place the results in another folder; a source is never touched",
            )

"""A chunk: some frames of a shot that a bundle orders, on whatever machine this is.

It may be killed, run again, or run twice at once: a frame is whole under its name or not there,
equal orders give equal bytes, and frames that are byte for byte what an earlier try recorded are
kept. Nothing is decided here and no meter runs.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import OutputRefusedError, RequestError
from gradeprep.farm import handshake, part
from gradeprep.farm.bundle import Bundle
from gradeprep.farm.places import Places, placed, refuse_merged
from gradeprep.model.framerange import FrameRange
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.flow import planned_space
from gradeprep.plates import atomic
from gradeprep.runners import share
from gradeprep.runners.engine import Engine
from gradeprep.runners.folder import result_folder
from gradeprep.runners.journal import kept_frames, known_frames
from gradeprep.runners.local import Local
from gradeprep.runners.loop import Progress, run_frames
from gradeprep.runners.outcome import Failed

__all__ = ["ChunkResult", "run_chunk"]

EVERY = 10.0
"""Seconds between two looks of the disk at a chunk's records; what a kill costs is done again."""


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
        order: Hash of the shot's file in the bundle.
        part: Where its frames wait once they are done.
        bundled: Number to the frame's entry as the bundle has it.
        here: The chunk's frames, with paths as they are here.
        done: Entries that are done, with the bundle's paths, so that they mean the same everywhere.
        written: When they were last written to the part, by the monotonic clock.
    """

    order: str
    part: Path
    bundled: Mapping[int, FrameEntry]
    here: ShotDocument
    done: list[FrameEntry] = field(default_factory=list)
    written: float = field(default_factory=time.monotonic)

    def add(self, entry: FrameEntry) -> None:
        """Keep a frame that is done; the disk sees it within some seconds."""
        self.done.append(self.bundled[entry.number].with_result(entry.finished))
        if time.monotonic() - self.written > EVERY:
            self.write()

    def write(self) -> None:
        """Put everything that is done into the part."""
        part.add(self.part, self.here.shot, self.order, self.done)
        self.written = time.monotonic()


def run_chunk(
    bundle: Bundle,
    shot: str,
    frames: FrameRange,
    *,
    places: Places,
    jobs: int,
    report: Callable[[Progress], None] = lambda progress: None,
    stop: threading.Event | None = None,
) -> ChunkResult:
    """Make some frames of a shot, and leave their records beside the plates.

    Args:
        bundle: The bundle.
        shot: Name of the shot.
        frames: Some of its frames.
        places: Where the bundle's folders are on this machine.
        jobs: Frames at once.
        report: Called after every frame.
        stop: Set by somebody else to end early.

    Raises:
        KeyboardInterrupt: ``stop`` was set; the records of what was done stand.
        RequestError: The bundle orders no such frames, this machine is not as it was planned
            for, or the recipe asks something else by now; nothing was touched.
        OutputRefusedError: Somebody else is at this shot.
        WriteError: The folder or the records cannot be written.
    """
    found = bundle.shot(shot)
    missing = frames - bundle.frames(shot)
    if missing:
        raise RequestError(
            f"frames {missing} are not in the bundle",
            shot=shot,
            key="--frames",
            remedy=f"it has {bundle.manifest.shots[shot].frames}",
        )
    here = placed(found, places)
    handshake.refuse_other_versions(bundle.manifest, here)
    handshake.refuse_changed_recipe(bundle.manifest, (shot,), places)
    refuse_merged(bundle.manifest, places)
    planned_space(here.colour)
    folder, order = Path(here.folder), bundle.manifest.shots[shot].sha256
    chunk = _Chunk(
        order=order,
        part=part.path_for(folder, shot, order, frames),
        bundled={entry.number: entry for entry in found.frames},
        here=here.only([entry for entry in here.frames if entry.number in frames]),
    )
    _refuse_sources(chunk.here)
    with result_folder(folder), share.joined(folder, shot, order=order, frames=str(frames)):
        return _run(chunk, Local(jobs), report=report, stop=stop or threading.Event())


def _run(
    chunk: _Chunk,
    engine: Engine,
    *,
    report: Callable[[Progress], None],
    stop: threading.Event,
) -> ChunkResult:
    kept = kept_frames(chunk.here, _known(chunk))
    for entry in kept:
        chunk.add(entry)
    try:
        failed = run_frames(chunk.here, kept, engine, keep=chunk.add, report=report, stop=stop)
    finally:
        if len(chunk.done) > len(kept):
            chunk.write()
    return ChunkResult(len(chunk.done), len(kept), failed)


def _known(chunk: _Chunk) -> tuple[FrameEntry, ...]:
    """Frames of an earlier try, filed. A sealed shot has no parts any more, but a sidecar."""
    here, folder = chunk.here, Path(chunk.here.folder)
    sealed = known_frames(sidecar.path_for(folder, here.shot), here.digest)[1]
    tried = {
        entry.number: entry.finished
        for entry in part.read(chunk.part, chunk.order)
        if chunk.bundled.get(entry.number) == entry.order
    }
    waiting = (
        sidecar.filed_entry(entry.with_result(tried[entry.number]), folder)
        for entry in here.frames
        if entry.number in tried
    )
    return sidecar.merged(sealed, waiting)


def _refuse_sources(here: ShotDocument) -> None:
    """Links on this machine may lead a result to its source."""
    for entry in here.frames:
        if atomic.same_file(Path(entry.source), Path(entry.result)):
            raise OutputRefusedError(
                "the output is the source",
                shot=here.shot,
                file=entry.result,
                remedy="place the results in another folder; a source is never touched",
            )

"""What a plan costs, from a frame or two of each kind of shot run on this machine.

A sample goes the whole way of a frame, from reading to the verified file, in a temporary folder
that is removed; nothing comes near the results. Shots of one kind (equal arithmetic, formats,
types and compressions) share one sample, scaled by the size of their files. The time for samples
is bounded: kinds that it does not reach are estimated by the size of their files alone.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gradeprep.errors import GradeprepError
from gradeprep.model.documents.cost import Cost, ShotCost
from gradeprep.pipeline.flow import run_frame
from gradeprep.pipeline.planned import Plan, ShotPlan

__all__ = ["PATIENCE", "estimate"]

PATIENCE = 2.0
"""Seconds after which no further sample is begun."""

_QUICK = 0.25
"""A sample that takes less is run again: the first one filled caches that serve all others."""


@dataclass(frozen=True, slots=True)
class _Sample:
    """One frame that was run.

    Attributes:
        shot: Name of its shot.
        seconds: Processor seconds.
        read: Bytes of the source.
        written: Bytes of the result.
    """

    shot: str
    seconds: float
    read: int
    written: int


def estimate(plan: Plan, *, workers: int, patience: float = PATIENCE) -> Cost:
    """What a plan costs.

    Args:
        plan: What was decided; shots that are blocked cost nothing.
        workers: Processors that are to work at once.
        patience: Seconds for samples; none is run with 0.
    """
    shots = {name: shot for name, shot in plan.shots.items() if not shot.blocked}
    samples, why = _samples(shots, patience) if patience > 0 else ({}, "not requested")
    costs = {name: _shot(shot, samples) for name, shot in shots.items()}
    known = [cost.frames * cost.seconds for cost in costs.values() if cost.seconds is not None]
    seconds = sum(known) if samples else None
    read = sum(cost.bytes_read for cost in costs.values())
    written = sum(cost.bytes_written for cost in costs.values())
    slowest = max((cost.seconds or 0.0 for cost in costs.values()), default=0.0)
    wall = None if seconds is None else max(seconds / workers, slowest)
    return Cost(
        frames=sum(cost.frames for cost in costs.values()),
        bytes_read=read,
        bytes_written=written,
        processor_seconds=seconds,
        workers=workers,
        wall_seconds=wall,
        read_rate=read / wall if wall else None,
        write_rate=written / wall if wall else None,
        why="" if samples else why,
        shots=costs,
    )


_Kind = tuple[str, ...]


def _kind(shot: ShotPlan) -> _Kind:
    document = shot.document
    plates = (document.source, document.result)
    found = (word for plate in plates for word in (plate.format, plate.type, plate.compression))
    stages = (order.stage for order in document.frames[0].stages)
    return (*shot.kernels, *found, *document.layers, "stages", *stages)


def _samples(shots: Mapping[str, ShotPlan], patience: float) -> tuple[dict[_Kind, _Sample], str]:
    """One sample a kind, as far as the time reaches, and why the first one failed."""
    end = time.monotonic() + patience
    found: dict[_Kind, _Sample] = {}
    faults: dict[_Kind, str] = {}
    for name, shot in shots.items():
        kind = _kind(shot)
        if kind in found or kind in faults or time.monotonic() > end:
            continue
        try:
            found[kind] = _sample(name, shot)
        except GradeprepError as error:
            faults[kind] = str(error)
        except OSError as error:
            faults[kind] = f"a temporary file cannot be written: {error.strerror or error}"
    return found, next(iter(faults.values()), "there is no shot")


def _sample(name: str, shot: ShotPlan) -> _Sample:
    """Run the middle frame, from reading to the verified file, and throw the result away."""
    frames = shot.document.frames
    entry = frames[len(frames) // 2]
    with tempfile.TemporaryDirectory(prefix="gradeprep-") as folder:
        result = str(Path(folder, Path(entry.result).name))
        entry = entry.model_copy(update={"result": result})
        for _ in range(2):
            begin = time.process_time()
            done = run_frame(shot.document, entry).finished
            seconds = time.process_time() - begin
            if seconds > _QUICK:
                break
    return _Sample(name, seconds, done.source.bytes, done.result.bytes)


def _shot(shot: ShotPlan, samples: Mapping[_Kind, _Sample]) -> ShotCost:
    document = shot.document
    frames = len(document.frames)
    read = sum(_size(entry.source) for entry in document.frames)
    same = samples.get(_kind(shot))
    if same is not None:
        share = read / frames / same.read
        return ShotCost(
            frames=frames,
            bytes_read=read,
            bytes_written=round(same.written * share * frames),
            seconds=same.seconds * share,
            source="measured" if same.shot == document.shot else f"like {same.shot}",
        )
    seconds = None
    if samples:
        total = sum(sample.seconds for sample in samples.values())
        seconds = total / sum(sample.read for sample in samples.values()) * read / frames
    return ShotCost(
        frames=frames,
        bytes_read=read,
        bytes_written=shot.bytes_needed,
        seconds=seconds,
        source="by size" if samples else "unknown",
    )


def _size(file: str) -> int:
    try:
        return Path(file).stat().st_size
    except OSError:
        return 0

"""Runs commands in turns and keeps what each took."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from .jobs import Job
from .plates import Plates
from .programs import Way

__all__ = ["Measured", "Sample", "clock", "measure"]

ROOT = Path(__file__).parents[2]
_LAUNCH = Path(__file__).with_name("launch.py")


@dataclass(frozen=True, slots=True)
class Sample:
    """One run of one command.

    Attributes:
        wall: Seconds from start to end.
        cpu: Seconds of processor time, user and system, of it and its children.
        peak: Largest memory of any one of its processes, in bytes.
        own: Peak memory of the process that plans, in bytes; 0 where the system does not tell.
    """

    wall: float
    cpu: float
    peak: int
    own: int


@dataclass(frozen=True, slots=True)
class Measured:
    """One way of doing a job; samples by number of frames, one a round."""

    job: Job
    way: Way
    samples: dict[int, list[Sample]] = field(default_factory=dict)


def clock(command: Sequence[str]) -> Sample:
    """Run a command, from the checkout, and see what it takes.

    Raises:
        RuntimeError: It failed.
    """
    launch = [sys.executable, "-I", "-S", str(_LAUNCH), *command]
    told = json.loads(subprocess.run(launch, check=True, stdout=subprocess.PIPE, cwd=ROOT).stdout)
    if told["code"]:
        raise RuntimeError(f"exit code {told['code']}: {' '.join(command)}\n{told['words']}")
    return Sample(told["wall"], told["cpu"], told["peak"], told["own"])


def measure(
    job: Job,
    plates: Plates,
    *,
    counts: Sequence[int],
    rounds: int,
    keep: Callable[[Way, Path], None] = lambda way, folder: None,
) -> list[Measured]:
    """All ways of a job in turns, at each number of frames, round after round.

    Args:
        job: What is done.
        plates: Makes the plate.
        counts: Numbers of frames.
        rounds: Turns.
        keep: Is shown each way's results once.
    """
    measured = [Measured(job, way, {count: [] for count in counts}) for way in job.ways]
    for turn in range(rounds):
        for one in measured:
            for count in counts:
                first = turn == 0 and count == counts[0]
                show = keep if first else None
                one.samples[count].append(_once(one.way, plates, job, count, show))
    return measured


def _once(
    way: Way, plates: Plates, job: Job, count: int, show: Callable[[Way, Path], None] | None
) -> Sample:
    source = plates.plate(job.kind, count)
    result = plates.folder / "result"
    result.mkdir()
    try:
        sample = clock(way.command(source, result, count))
        done = len(list(result.glob("plate.*.exr")) + list(result.glob("plate.*.dpx")))
        if done != count:
            raise RuntimeError(f"{way.program} wrote {done} of {count} frames: {job.name}")
        if show is not None:
            show(way, result)
    finally:
        shutil.rmtree(result)
    return sample

"""How the cost grows with workers, frame size and sequence length, and what starting takes."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import repeat
from statistics import median

from gradeprep.machine import processors
from gradeprep.plates import files
from gradeprep.plates.atomic import digest

from .figures import Spread, further, whole
from .floor import copy_exr, start
from .jobs import Job
from .measure import Measured, Sample, clock, measure
from .plates import FIRST, Kind, Plates
from .programs import Programs

__all__ = [
    "Length",
    "Sized",
    "Worked",
    "lengths",
    "safety",
    "since",
    "sizes",
    "startup",
    "typical",
    "workers",
]

_TINY = (64, 36)
_OPTIONS = ("--space", "ACEScg")


@dataclass(frozen=True, slots=True)
class Worked:
    """Frames a second with a number of workers, and seconds that one frame more costs."""

    workers: int
    rate: Spread
    further: Spread


@dataclass(frozen=True, slots=True)
class Sized:
    """Seconds that one frame more costs, by its size."""

    size: tuple[int, int]
    further: Spread

    @property
    def megapixels(self) -> float:
        """Size in millions of pixels."""
        return self.size[0] * self.size[1] / 1e6


@dataclass(frozen=True, slots=True)
class Length:
    """Runs over a sequence of tiny frames."""

    frames: int
    samples: list[Sample]


def workers(
    plates: Plates, programs: Programs, size: tuple[int, int], counts: Sequence[int], rounds: int
) -> list[Worked]:
    """A pull with 1, 2, 4 ... workers, up to one a processor, in turns."""
    numbers = sorted({processors(), *(2**n for n in range(10) if 2**n <= processors())})
    ways = [programs.pull(*_OPTIONS, extension="exr", jobs=number) for number in numbers]
    job = Job("workers", Kind(size), tuple(ways))
    measured = measure(job, plates, counts=counts, rounds=rounds)
    return [
        Worked(number, _rate(one), Spread.of(further(one)))
        for number, one in zip(numbers, measured, strict=True)
    ]


def sizes(
    plates: Plates,
    programs: Programs,
    these: Sequence[tuple[int, int]],
    counts: Sequence[int],
    rounds: int,
) -> list[Sized]:
    """A pull of half zip at several sizes."""
    found = []
    for size in these:
        job = Job("size", Kind(size), (programs.pull(*_OPTIONS, extension="exr"),))
        (one,) = measure(job, plates, counts=counts, rounds=rounds)
        found.append(Sized(size, Spread.of(further(one))))
    return found


def lengths(plates: Plates, programs: Programs, these: Sequence[int], rounds: int) -> list[Length]:
    """A pull of tiny frames at several lengths, in turns."""
    job = Job("length", Kind(_TINY), (programs.pull(*_OPTIONS, extension="exr"),))
    (one,) = measure(job, plates, counts=these, rounds=rounds)
    return [Length(frames, samples) for frames, samples in one.samples.items()]


def startup(plates: Plates, programs: Programs, rounds: int) -> dict[str, list[Sample]]:
    """What starting takes, down to Python alone, in turns."""
    commands = dict(_starts(plates, programs))
    samples: dict[str, list[Sample]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, command in commands.items():
            samples[name].append(clock(command))
            shutil.rmtree(plates.folder / "start", ignore_errors=True)
    return samples


def _starts(plates: Plates, programs: Programs) -> Iterator[tuple[str, list[str]]]:
    python = sys.executable
    yield "Python alone", [python, "-c", ""]
    libraries = (
        "import numpy, OpenEXR, PyOpenColorIO, click, xxhash; from pydantic import BaseModel, Field"
    )
    yield "import of its libraries", [python, "-c", libraries]
    yield "gradeprep --version", [python, "-m", "gradeprep", "--version"]
    yield "gradeprep --help", [python, "-m", "gradeprep", "--help"]
    source = plates.plate(Kind(_TINY), 1)
    way = programs.pull(*_OPTIONS, extension="exr")
    yield "gradeprep pull of one tiny frame", way.command(source, plates.folder / "start", 1)


def safety(plates: Plates, size: tuple[int, int], rounds: int) -> dict[str, Spread]:
    """Seconds of processor time that being sure takes of a half zip frame, beside its codec's."""
    frame = plates.plate(Kind(size), 1) / f"plate.{FIRST}.exr"
    copies = plates.folder / "copies"
    copies.mkdir()
    start()
    steps: dict[str, Callable[[], object]] = {
        "decode and encode": lambda: copy_exr(copies, frame),
        "hash of source and result": lambda: (digest(frame), digest(copies / frame.name)),
        "structure of the result, read back": lambda: files.inspect(copies / frame.name),
    }
    taken: dict[str, list[float]] = {name: [] for name in steps}
    for _ in range(rounds):
        for name, step in steps.items():
            before = time.process_time()
            step()
            taken[name].append(time.process_time() - before)
    return {name: Spread.of(seconds) for name, seconds in taken.items()}


def since(before: Length | None, one: Length, what: str) -> Spread:
    """What one frame more took, in that unit of a sample, between two lengths."""
    frames = one.frames - (before.frames if before else 0)
    start = [getattr(sample, what) for sample in before.samples] if before else repeat(0)
    return Spread.of(
        (getattr(sample, what) - less) / frames
        for sample, less in zip(one.samples, start, strict=False)
    )


def _rate(one: Measured) -> Spread:
    count = max(one.samples)
    return Spread.of(count / sample.wall for sample in whole(one))


def typical(samples: Sequence[Sample]) -> Sample:
    """The median of each figure."""
    return Sample(
        *(median(getattr(one, name) for one in samples) for name in ("wall", "cpu")),
        *(int(median(getattr(one, name) for one in samples)) for name in ("peak", "own")),
    )

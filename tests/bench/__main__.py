"""``python -m tests.bench``: measures, prints Markdown, and draws where it can."""

from __future__ import annotations

import argparse
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gradeprep.machine import processors

from . import machine, plot, scaling, table
from .agree import Agreement
from .floor import LAYOUTS
from .jobs import HD, SIZES, UHD, Job, every_job, usual_jobs
from .measure import Measured, measure
from .plates import Plates
from .programs import Programs

_SCALES = ("startup", "safety", "workers", "sizes", "lengths")


@dataclass(frozen=True, slots=True)
class Extent:
    """How much is measured.

    Attributes:
        size: Size of the usual jobs' plates.
        counts: Frames a worker in the short and in the long run, more than one: their difference
            tells the slope, and leaves no worker idle at the end.
        rounds: Turns.
        layouts: The floor's layouts.
        sizes: Frame sizes that are compared.
        lengths: Lengths of the sequences of tiny frames.
        room: Bytes that the frames of one worker need.
    """

    size: tuple[int, int] = UHD
    counts: tuple[int, int] = (4, 12)
    rounds: int = 5
    layouts: tuple[str, ...] = LAYOUTS
    sizes: tuple[tuple[int, int], ...] = (HD, UHD)
    lengths: tuple[int, ...] = (100, 1_000, 10_000)
    room: int = 2 * 10**9


EXTENTS = {
    "usual": Extent(),
    "full": Extent(sizes=SIZES, room=6 * 10**9),
    "short": Extent(HD, (2, 4), 1, ("processes",), (HD,), (30, 300), 10**9),
    "tiny": Extent((64, 36), (2, 3), 1, ("processes",), ((64, 36),), (3, 4), 10**8),
}


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure what the command line asks for."""
    told = _arguments(arguments)
    extent = EXTENTS[told.extent]
    few, many = extent.counts
    extent = replace(extent, counts=(few * told.jobs, many * told.jobs))
    folder = Path(tempfile.mkdtemp(prefix="bench-", dir=_roomy(extent.room * told.jobs)))
    try:
        print(_report(Plates(folder), extent, told), end="")
    finally:
        shutil.rmtree(folder)


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    group = parser.add_mutually_exclusive_group()
    for name, what in (
        ("full", "every size, codec, type and depth: hours"),
        ("short", "small plates, one round: under a minute; says that it runs, not how fast"),
        ("tiny", "tiny plates, one round: for the tests"),
    ):
        group.add_argument(f"--{name}", dest="extent", action="store_const", const=name, help=what)
    parser.add_argument(
        "--only",
        default="",
        help=f"jobs whose name this expression finds; or one of {', '.join(_SCALES)}",
    )
    parser.add_argument("--rounds", type=int, help="turns")
    parser.add_argument("--jobs", type=int, default=processors(), help="frames at once")
    parser.add_argument("--out", type=Path, help="folder for bench.md and bench.png")
    parser.set_defaults(extent="usual")
    return parser.parse_args(arguments)


def _roomy(room: int) -> str | None:
    """Memory, where it has the room; else the system's folder for temporary files."""
    memory = Path("/dev/shm")
    return str(memory) if memory.is_dir() and shutil.disk_usage(memory).free > room else None


def _report(plates: Plates, extent: Extent, told: argparse.Namespace) -> str:
    programs = Programs(plates.folder, told.jobs, extent.layouts)
    rounds = told.rounds or extent.rounds
    jobs = usual_jobs(plates, programs, extent.size)
    if told.extent == "full":
        jobs = list(every_job(plates, programs))
    chosen = [] if told.only in _SCALES else [job for job in jobs if re.search(told.only, job.name)]
    if not chosen and told.only not in _SCALES:
        names = "\n".join(f"  {name}" for name in (*_SCALES, *(job.name for job in jobs)))
        sys.exit(f"no job's name matches '{told.only}'; there are:\n{names}")
    told_by = f"{machine.told(plates.folder)}; rounds: {rounds}"
    agreements: list[str] = []
    measured = [_job(job, plates, extent, rounds, agreements) for job in chosen]
    parts = [told_by + ".\n"]
    if measured:
        few, many = extent.counts
        parts.append(
            f"Whole processes over {many} frames, medians (smallest to largest). `one frame more` "
            f"is the slope between {few} and {many} frames, which leaves starting out. Ratios are "
            "gradeprep's speed against the row's program, round by round; over 1 it is faster.\n"
        )
        parts.append(table.jobs_table(measured))
        parts.append("".join(f"- {line}\n" for line in agreements))
    parts.extend(_scales(plates, programs, extent, rounds, told.only))
    text = "\n".join(part for part in parts if part)
    if told.out:
        _save(text, measured, told.out, told_by)
    return text


def _job(
    job: Job, plates: Plates, extent: Extent, rounds: int, agreements: list[str]
) -> list[Measured]:
    print(job.name, file=sys.stderr, flush=True)
    agreement = Agreement()
    measured = (
        measure(job, plates, counts=extent.counts, rounds=rounds, keep=agreement)
        if job.comparable
        else measure(job, plates, counts=extent.counts, rounds=rounds)
    )
    agreements.extend(f"{job.name}, {line}." for line in agreement.told)
    return measured


def _scales(
    plates: Plates, programs: Programs, extent: Extent, rounds: int, only: str
) -> Iterator[str]:
    """The tables of what is asked for."""
    for name in _SCALES:
        if only not in ("", name):
            continue
        print(name, file=sys.stderr, flush=True)
        if name == "startup":
            yield table.startup_table(scaling.startup(plates, programs, rounds))
        elif name == "safety":
            yield table.safety_table(scaling.safety(plates, extent.size, rounds))
        elif name == "workers":
            found = scaling.workers(plates, programs, extent.size, extent.counts, rounds)
            yield table.worker_table(found)
        elif name == "sizes":
            yield table.size_table(
                scaling.sizes(plates, programs, extent.sizes, extent.counts, rounds)
            )
        else:
            yield table.length_table(scaling.lengths(plates, programs, extent.lengths, rounds))


def _save(text: str, measured: Sequence[Sequence[Measured]], folder: Path, told: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench.md").write_text(text, encoding="utf-8")
    if measured and not plot.draw(measured, folder / "bench.png", told=told):
        print("no plot: matplotlib is not installed (the extra 'bench')", file=sys.stderr)


if __name__ == "__main__":
    main()

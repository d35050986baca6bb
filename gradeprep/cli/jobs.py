"""What `pull` and `run` share: run a plan with progress, and say what came of it."""

from __future__ import annotations

import json
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from gradeprep import sidecar
from gradeprep.model.recipe import Recipe
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan
from gradeprep.runners.engine import Engine
from gradeprep.runners.job import Job, Progress, ShotResult, run_plan

__all__ = ["carry_out", "carry_out_plan", "finish", "remarks", "stopping"]

_SENTENCE = re.compile(r"[;:] ")
"""What parts a warning from its details."""


def carry_out_plan(
    recipe: Recipe, folder: Path, options: Options, *, engine: Engine, quiet: bool
) -> Job:
    """Plan a recipe and run it, with progress on standard error."""
    plan = make_plan(recipe, folder, options)
    with stopping() as stop, _progress(plan, quiet=quiet) as report:
        return run_plan(plan, engine=engine, resume=options.resume, report=report, stop=stop)


def carry_out(
    recipe: Recipe,
    folder: Path,
    options: Options,
    *,
    engine: Engine,
    quiet: bool,
    as_json: bool,
) -> int:
    """Plan a recipe, run it, print what came of it; returns the exit code."""
    job = carry_out_plan(recipe, folder, options, engine=engine, quiet=quiet or as_json)
    return finish(job, as_json=as_json, quiet=quiet)


def remarks(quiet: bool) -> Callable[[str], None]:
    """Where an engine's remarks go: to standard error, or nowhere when quiet."""
    return lambda line: None if quiet else click.echo(line, err=True)


def finish(job: Job, *, as_json: bool, quiet: bool) -> int:
    """Print results on standard output, failures on standard error; returns the exit code."""
    for name, shot in job.shots.items():
        for line in (shot.error, *(frame.error for frame in shot.failed)):
            if line:
                click.echo(f"gradeprep: {line}", err=True)
        if "--traceback" in sys.argv:
            for frame in shot.failed:
                click.echo(frame.trace, err=True)
        if not (as_json or quiet):
            _print_shot(name, shot)
    if as_json:
        click.echo(json.dumps({n: _shot_json(s) for n, s in job.shots.items()}, indent=1))
    return 0 if job.clean else 1


def _print_shot(name: str, shot: ShotResult) -> None:
    if shot.record is None:
        return
    frames = shot.record.frames
    low, high = shot.record.span
    span = f"{low:+g}" if low == high else f"{frames[0].stops:+g} to {frames[-1].stops:+g}"
    kept = f", {shot.kept} of them kept" if shot.kept else ""
    click.echo(f"{name}: {len(frames)} frames by {span} stops{kept}; {shot.sidecar}")
    if warned := _warnings(shot.record):
        click.echo(f"{name}: warning: {warned}")


def _warnings(record: ShotDocument) -> str:
    """A shot's warnings in one line; the sidecar, the report and `check` have the rest."""
    warned = [finding for finding in record.findings if finding.severity == "warn"]
    clipped = [finding for finding in warned if finding.numbers.get("shares")]
    words = [_SENTENCE.split(finding.what)[0] for finding in warned if finding not in clipped]
    if clipped:
        shares = [finding.numbers["shares"] for finding in clipped]
        frames = {frame for by_frame in shares for frame, share in by_frame.items() if share}
        worst = max(range(len(clipped)), key=lambda place: max(shares[place].values()))
        words.insert(
            0,
            f"highlights clipped on {len(frames)} of {len(record.frames)} frames, up to "
            f"{100 * max(shares[worst].values()):.2g} % ({clipped[worst].channel})",
        )
    return "; ".join(dict.fromkeys(words))


def _shot_json(shot: ShotResult) -> dict[str, Any]:
    return {
        "sidecar": None if shot.sidecar is None else str(shot.sidecar),
        "kept": shot.kept,
        "error": shot.error,
        "failed": [{"frame": f.number, "error": f.error} for f in shot.failed],
        "record": None if shot.record is None else sidecar.dump(shot.record),
    }


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """Set by Ctrl-C, or a farm's SIGTERM, so that a run ends cleanly; at once the second time.

    A signal that is ignored stays ignored: a shell starts a background job so, for a Ctrl-C on
    its terminal is meant for the job in the foreground.
    """
    stop = threading.Event()

    def ask(number: int, frame: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = {
        number: signal.signal(number, ask)
        for number in (signal.SIGINT, signal.SIGTERM)
        if signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _progress(plan: Plan, *, quiet: bool) -> Iterator[Callable[[Progress], None]]:
    """A bar on a terminal, a line every few seconds elsewhere, nothing when quiet."""
    if quiet:
        yield lambda progress: None
        return
    if not sys.stderr.isatty():
        yield _plain_lines()
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        tasks = {n: bar.add_task(n, total=len(s.document.frames)) for n, s in plan.shots.items()}
        yield lambda progress: bar.update(tasks[progress.shot], completed=progress.done)


def _plain_lines() -> Callable[[Progress], None]:
    last = time.monotonic()

    def report(progress: Progress) -> None:
        nonlocal last
        now = time.monotonic()
        if progress.done == progress.total or now - last > 5.0:
            last = now
            click.echo(f"{progress.shot}: {progress.done}/{progress.total} frames", err=True)

    return report

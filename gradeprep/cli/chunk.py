"""``gradeprep chunk BUNDLE``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.jobs import stopping
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.farm.bundle import Bundle, load
from gradeprep.farm.chunk import ChunkResult, run_chunk
from gradeprep.farm.openjdlines import Talk
from gradeprep.farm.places import read_places
from gradeprep.machine import processors
from gradeprep.model.framerange import FrameRange
from gradeprep.runners.loop import Progress

__all__ = ["command"]


@click.command("chunk")
@click.argument("folder", metavar="BUNDLE", type=click.Path(path_type=Path))
@click.option("--shot", metavar="NAME", help="Shot of the bundle.")
@options.frames
@click.option("--number", type=click.IntRange(1), metavar="N", help="The bundle's own chunk N.")
@options.place
@options.openjd
@options.jobs
@options.quiet
@options.traceback_option
def command(
    folder: Path,
    shot: str | None,
    frames: FrameRange | None,
    number: int | None,
    places: tuple[str, ...],
    openjd: bool,
    jobs: int | None,
    quiet: bool,
) -> None:
    """Make some frames of a shot that a BUNDLE of `gradeprep farm` orders, on any node.

    Say which: --shot and --frames, or --number. It may be killed, run again, or run twice at
    once. Its records wait beside the plates until `gradeprep collect` makes the sidecar of them.

    \b
    Examples:
      gradeprep chunk bundle --shot quay --frames 1001-1010
      gradeprep chunk bundle --number 17 --map /show=/mnt/show
    """
    talk = Talk(click.echo) if openjd else None
    try:
        bundle = load(folder)
        name, wanted = _wanted(bundle, shot, frames, number)
        place = read_places(places, bundle.manifest)
        if talk:
            talk.status(f"{name} {wanted}")
        with stopping() as stop:
            done = run_chunk(
                bundle,
                name,
                wanted,
                places=place,
                jobs=jobs or processors(),
                report=_reporter(name, talk),
                stop=stop,
            )
    except GradeprepError as error:
        if talk:
            talk.fail(str(error))
        raise
    except KeyboardInterrupt:
        if talk:
            talk.fail("interrupted")
        click.echo("gradeprep: interrupted; run it again, what is done is kept", err=True)
        sys.exit(130)
    sys.exit(_end(name, wanted, done, talk, quiet=quiet or openjd))


def _wanted(
    bundle: Bundle, shot: str | None, frames: FrameRange | None, number: int | None
) -> tuple[str, FrameRange]:
    chunks = bundle.manifest.chunks
    if number is not None:
        if shot is not None or frames is not None:
            raise click.UsageError("--number names shot and frames by itself")
        if number > len(chunks):
            raise RequestError(
                f"the bundle has no chunk {number}",
                file=bundle.folder,
                key="--number",
                remedy=f"it has {len(chunks)}",
            )
        chunk = chunks[number - 1]
        return chunk.shot, FrameRange.parse(chunk.frames)
    if shot is None:
        raise click.UsageError("say which frames: --shot and --frames, or --number")
    if frames is None:
        return shot, FrameRange.of(entry.number for entry in bundle.shot(shot).frames)
    return shot, frames


def _reporter(name: str, talk: Talk | None) -> Callable[[Progress], None]:
    def report(progress: Progress) -> None:
        if progress.error:
            click.echo(f"gradeprep: {progress.error}", err=True)
        if talk:
            talk.progress(progress.done, progress.total)
            talk.status(f"{name} frame {progress.number}: {progress.error or 'done'}")

    return report


def _end(
    name: str, frames: FrameRange, done: ChunkResult, talk: Talk | None, *, quiet: bool
) -> int:
    if "--traceback" in sys.argv:
        for frame in done.failed:
            click.echo(frame.trace, err=True)
    if talk and done.failed:
        others = f" (and {len(done.failed) - 1} more frames)" if len(done.failed) > 1 else ""
        talk.fail(f"{done.failed[0].error}{others}")
    if not quiet:
        kept = f", {done.kept} of them kept" if done.kept else ""
        click.echo(f"{name} {frames}: {done.done} frames{kept}")
    return 1 if done.failed else 0

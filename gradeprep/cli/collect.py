"""``gradeprep collect BUNDLE``."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.errors import GradeprepError
from gradeprep.farm.bundle import Bundle, load
from gradeprep.farm.gather import Gathered, gather
from gradeprep.farm.openjdlines import Talk
from gradeprep.farm.places import Places, read_places
from gradeprep.machine import processors
from gradeprep.model.bundle import CollectDocument, CollectedShot

__all__ = ["command"]


@click.command("collect")
@click.argument("folder", metavar="BUNDLE", type=click.Path(path_type=Path))
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@click.option("--partial", is_flag=True, help="Sidecars of the frames that are there, too.")
@options.place
@options.openjd
@options.jobs
@options.json_output
@options.quiet
@options.traceback_option
def command(
    folder: Path,
    shots: tuple[str, ...],
    partial: bool,
    places: tuple[str, ...],
    openjd: bool,
    jobs: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Prove every frame of a BUNDLE against the records of its chunks, and write the sidecars.

    A shot's sidecar is written once all its frames are there and right; what is missing is named
    and the exit code is 1. The other shots are sealed all the same. It may be run again.

    \b
    Example:
      gradeprep collect bundle
    """
    talk = Talk(click.echo) if openjd else None
    try:
        bundle = load(folder)
        for name in shots:
            bundle.shot(name)
        place = read_places(places, bundle.manifest)
    except GradeprepError as error:
        if talk:
            talk.fail(str(error))
        raise
    names = [name for name in bundle.manifest.shots if name in shots or not shots]
    given, code = {}, 0
    for done, name in enumerate(names, 1):
        found, exit_code = _sealed(bundle, name, place, partial=partial, jobs=jobs or processors())
        given[name] = found
        for line in _lines(name, found, folder):
            click.echo(f"gradeprep: {line}", err=True)
            if talk:
                talk.fail(line)
        if talk:
            talk.progress(done, len(names))
        elif not (as_json or quiet) and found.sidecar:
            click.echo(f"{name}: {found.frames} frames; {found.sidecar}")
        code = max(code, exit_code)
    if as_json:
        click.echo(CollectDocument(shots=given).model_dump_json(by_alias=True, indent=1))
    sys.exit(code)


def _sealed(
    bundle: Bundle, name: str, places: Places, *, partial: bool, jobs: int
) -> tuple[CollectedShot, int]:
    """What was found of a shot, and the exit code it asks for."""
    try:
        found = gather(bundle, name, places=places, partial=partial, jobs=jobs)
    except GradeprepError as error:
        return CollectedShot(error=str(error.at(shot=name))), error.exit_code
    return _document(found), 0 if found.complete else 1


def _document(found: Gathered) -> CollectedShot:
    return CollectedShot(
        sidecar=None if found.sidecar is None else str(found.sidecar),
        frames=len(found.frames),
        missing=str(found.missing),
        wrong=str(found.wrong),
    )


def _lines(name: str, found: CollectedShot, folder: Path) -> list[str]:
    """What is not as it should be, one line each."""
    lines = [found.error] if found.error else []
    for frames, what in ((found.missing, "not made yet"), (found.wrong, "not as recorded")):
        if frames:
            again = (
                f"run gradeprep chunk {shlex.quote(str(folder))} --shot {name} --frames {frames}"
            )
            verb = "are" if any(mark in frames for mark in "-,") else "is"
            lines.append(
                f"{name} frame{'s' if verb == 'are' else ''} {frames} {verb} {what}; {again}"
            )
    return lines

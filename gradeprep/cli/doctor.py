"""``gradeprep doctor``."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator

import click

from gradeprep.cli import options
from gradeprep.cli.requirements import faults
from gradeprep.errors import GradeprepError
from gradeprep.model.documents.diagnosis import DiagnosisDocument, LibraryDocument
from gradeprep.plates import limits

__all__ = ["command"]


@click.command("doctor")
@options.config
@options.json_output
@options.traceback_option
def command(config: str | None, as_json: bool) -> None:
    """Look at this installation: libraries, machine, config, limits, plugins, and a trial picture.

    Each problem is printed with its remedy, and the exit code is 1.

    \b
    Example:
      gradeprep doctor
    """
    found = _examined(config)
    if as_json:
        click.echo(found.model_dump_json(by_alias=True, indent=1))
    else:
        for name, text in _lines(found):
            click.echo(f"{name:<10}{text}")
    sys.exit(1 if found.problems else 0)


def _examined(config: str | None) -> DiagnosisDocument:
    """What is found, or the library without which nothing can be looked at."""
    try:
        from gradeprep.cli.installation import examine
    except ImportError as error:
        for problem in faults():
            raise GradeprepError(problem.what, remedy=problem.remedy) from error
        what = f"a library does not load: {error}"
        raise GradeprepError(what, remedy="reinstall gradeprep") from error
    return examine(config)


def _lines(found: DiagnosisDocument) -> Iterator[tuple[str, str]]:
    memory = "" if found.memory_gib is None else f", {found.memory_gib:g} GiB of memory"
    plural = "" if found.processors == 1 else "s"
    yield "gradeprep", f"{found.program} on Python {found.python}, {found.system}"
    yield "machine", f"{found.processors} processor{plural}{memory}"
    yield "config", f"{found.config.name} ({found.config.named_by})"
    if found.limits is not None:
        text = f"{found.limits.side} pixels a side, {found.limits.gib:g} GiB decoded"
        yield "pictures", f"up to {text} ({limits.SIDE}, {limits.BYTES})"
        yield "reading", f"up to {found.limits.seconds} s a file ({limits.SECONDS})"
    yield "libraries", _versions(found.libraries.items())
    for extra, packages in found.extras.items():
        there = all(package.version is not None for package in packages.values())
        hint = "" if there else f" (optional; pip install 'gradeprep[{extra}]')"
        yield f"[{extra}]", _versions(packages.items()) + hint
    yield "plugins", ", ".join(f"{count} {kind}" for kind, count in found.plugins.items())
    for problem in found.problems:
        yield "WRONG", f"{problem.what}; {problem.remedy}"
    if not found.problems:
        yield "", "nothing is wrong"


def _versions(packages: Iterable[tuple[str, LibraryDocument]]) -> str:
    return ", ".join(f"{name} {found.version or 'absent'}" for name, found in packages)

"""``gradeprep report SIDECAR|RECIPE...``."""

from __future__ import annotations

import os
import sys
from pathlib import Path, PurePath

import click
from pydantic import ValidationError

from gradeprep.cli import options
from gradeprep.errors import OutputRefusedError, RequestError, WriteError
from gradeprep.model.recipe import LOOK_FILES, LookAsk
from gradeprep.plates import atomic

__all__ = ["command"]


@click.command("report")
@click.argument(
    "sources", metavar="SIDECAR|RECIPE", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    default=Path("report.html"),
    metavar="FILE",
    help="The page [report.html].",
)
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@click.option(
    "--look", metavar="NAME|FILE", help="A show's look instead of the recipe's: name, CLF or .cube."
)
@click.option("--look-space", metavar="NAME", help="The space that such a file works in.")
@click.option("--display", metavar="NAME", help="Display to look through [the config's first].")
@click.option("--view", metavar="NAME", help="View of it [its first].")
@click.option(
    "--side",
    type=click.IntRange(160, 4096),
    default=960,
    metavar="N",
    help="Longest side of a picture in pixels [960].",
)
@options.config
@options.overwrite
@options.quiet
@options.traceback_option
def command(
    sources: tuple[Path, ...],
    path: Path,
    shots: tuple[str, ...],
    look: str | None,
    look_space: str | None,
    display: str | None,
    view: str | None,
    side: int,
    config: str | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Write one page about the shots of SIDECARs and RECIPEs: pictures, numbers, all that was
    applied, worst shots first. It needs no other file and no network, and prints.

    Shots of a recipe that were not run yet are shown as they are planned. A plate that is gone
    leaves its pictures out and is named; a shot that is refused makes the exit code 1.

    \b
    Example:
      gradeprep report film/recipe.yaml -o report.html
    """
    from gradeprep.review.pictures import Wish
    from gradeprep.review.report import entries, page
    from gradeprep.review.reportdata import gather

    _may_write(path, sources, overwrite=overwrite)
    wish = Wish(display=display, view=view, look=_look(look, look_space), side=side)
    found = gather(sources, config=config, shots=shots)
    made = entries(found, wish)
    text = page(made).encode("utf-8")
    atomic.publish(path, lambda temp: _write(temp, text), lambda temp: _verify(temp, text))
    refused = 0
    for entry in made:
        refused += entry.shot.state == "refused"
        lines = (entry.shot.refusal, *entry.lacking) if entry.shot.refusal else entry.lacking
        for line in lines:
            given = line if line.startswith(entry.shot.name) else f"{entry.shot.name}: {line}"
            click.echo(f"gradeprep: {given}", err=True)
    if not quiet:
        count = "1 shot" if len(made) == 1 else f"{len(made)} shots"
        click.echo(f"{path}  {count}, {len(text) / 1e6:.1f} MB")
    sys.exit(1 if refused else 0)


def _look(look: str | None, space: str | None) -> LookAsk | None:
    if look is None:
        if space is not None:
            raise RequestError("there is no look to go with it", key="--look-space")
        return None
    kind = "file" if PurePath(look).suffix.lower() in LOOK_FILES else "name"
    try:
        return LookAsk.model_validate({kind: look, "space": space})
    except ValidationError as error:
        what = error.errors()[0]["msg"].removeprefix("Value error, ").partition("; ")[0]
        remedy = "say it with --look-space" if space is None else "leave --look-space out"
        raise RequestError(what, key="--look", remedy=remedy) from error


def _may_write(path: Path, sources: tuple[Path, ...], *, overwrite: bool) -> None:
    if path.suffix.lower() not in (".html", ".htm"):
        raise OutputRefusedError("a report is a page", file=path, remedy="name it .html")
    if not path.parent.is_dir():
        raise OutputRefusedError("its folder does not exist", file=path, remedy="make the folder")
    if any(atomic.same_file(path, source) for source in sources):
        raise OutputRefusedError("is a source", file=path, remedy="choose another name")
    if path.is_dir():
        raise OutputRefusedError("is a folder", file=path, remedy="name a file in it")
    if os.path.lexists(path) and not overwrite:
        raise OutputRefusedError(
            "exists already", file=path, remedy="choose another name, or say --overwrite"
        )


def _write(temp: Path, text: bytes) -> None:
    temp.write_bytes(text)


def _verify(temp: Path, text: bytes) -> None:
    if temp.read_bytes() != text:
        raise WriteError("the page reads back wrong", file=temp, remedy="check the disk")

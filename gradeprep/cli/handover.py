"""``gradeprep handover SIDECAR|RECIPE``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from gradeprep import sidecar
from gradeprep.cli import options
from gradeprep.cli.run import only
from gradeprep.handover.decided import of_recipe, of_sidecars
from gradeprep.handover.deliver import EVERY, deliver, parameters, prepare
from gradeprep.model.documents.handover import HandoverDocument
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plugins.contracts import Decided

__all__ = ["command"]


class _Forms(click.ParamType[tuple[str, ...]]):
    """Names of forms with commas between them."""

    name = "forms"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[str, ...]:
        if isinstance(value, tuple):
            return value
        names = tuple(dict.fromkeys(name.strip() for name in str(value).split(",")))
        if not all(names):
            self.fail(f"'{value}' is no list of forms such as ccc,clf,otio", param, ctx)
        return names


@click.command("handover")
@click.argument(
    "sources", metavar="SIDECAR|RECIPE", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--as",
    "forms",
    type=_Forms(),
    metavar="LIST",
    help=f"Forms by name, also edl, csv, ale [{','.join(EVERY)}].",
)
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where to [the folder 'handover' beside the sidecar or recipe].",
)
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@click.option(
    "--frame", type=int, metavar="N", help="Where a gain varies over time, that of this frame."
)
@click.option(
    "--space", metavar="NAME", help="CLF: from this log space and back to it [linear light]."
)
@click.option(
    "--xsd",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="AMF: check against the Academy's schema in this folder.",
)
@click.option(
    "--clip",
    type=click.Choice(["source", "normalized"]),
    help="AMF: describe the hot plate, or the normalized one as applied [source].",
)
@click.option("--rate", metavar="RATE", help="OTIO, EDL: frames a second where plates state none.")
@options.overwrite
@options.json_output
@options.traceback_option
def command(
    sources: tuple[Path, ...],
    forms: tuple[str, ...] | None,
    folder: Path | None,
    shots: tuple[str, ...],
    overwrite: bool,
    as_json: bool,
    **settings: Any,
) -> None:
    """Write the decision of SIDECARs, or of all shots of a RECIPE that was run, in open forms.

    ASC CDL (cc, ccc, cdl), CLF and AMF bring the hot plates back in other tools; OTIO is the
    timeline on the normalized ones, in the cut that they were conformed from. csv and ale are
    pull lists, a row an event. A CDL holds one
    gain: a lift is not in it, and a gain that varies is not written unless --frame names one.
    Every file is read back and proved before it gets its name.

    \b
    Examples:
      gradeprep handover film/recipe.yaml --as clf,otio,edl -o turnover
      gradeprep handover normal/quay.stops.json --as cc,clf --frame 1004
    """
    given = {key: value for key, value in settings.items() if value is not None}
    params = parameters(forms or EVERY, given)
    decided, title = _decided(sources, shots)
    prepared = prepare(decided, params, title, by_name=forms is not None)
    done = deliver(prepared, folder or sources[0].parent / "handover", overwrite=overwrite)
    lacking = forms is not None and bool(done.left_out)
    for line in _failures(done, lacking=lacking):
        click.echo(f"gradeprep: {line}", err=True)
    if as_json:
        click.echo(done.model_dump_json(by_alias=True, indent=1))
    else:
        for line in _lines(done, lacking=lacking):
            click.echo(line)
    sys.exit(1 if lacking or done.refused or not done.files else 0)


def _decided(given: tuple[Path, ...], shots: tuple[str, ...]) -> tuple[list[Decided], str]:
    """The decisions, and what files of all of them are called."""
    sidecars = [path for path in given if path.name.endswith(sidecar.SUFFIX)]
    if not sidecars and len(given) == 1:
        recipe = only(read_recipe(given[0]), shots)
        return of_recipe(recipe, given[0].parent), given[0].stem
    if len(sidecars) < len(given):
        raise click.UsageError(f"give sidecars (*{sidecar.SUFFIX}), or one recipe")
    if shots:
        raise click.UsageError("--shot is for a recipe; name the sidecars that are wanted")
    found = of_sidecars(sidecars)
    return found, found[0].record.shot if len(found) == 1 else "handover"


def _failures(done: HandoverDocument, *, lacking: bool) -> Iterator[str]:
    for refused in done.refused:
        yield refused.why
    if lacking or not done.files:
        yield from _left_out(done)


def _lines(done: HandoverDocument, *, lacking: bool) -> Iterator[str]:
    for one in done.files:
        yield one.file
        yield f"  {one.proof}"
        yield from (f"  note: {note}" for note in one.notes)
    if not lacking and done.files:
        yield from (f"left out: {line}" for line in _left_out(done))


def _left_out(done: HandoverDocument) -> Iterator[str]:
    for one in done.left_out:
        yield f"{one.form}: {f'{one.shot}: ' if one.shot else ''}{one.why}"

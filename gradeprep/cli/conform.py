"""``gradeprep conform TIMELINE --plates DIR -o RECIPE``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from gradeprep.cli import options
from gradeprep.conform.applied import Decisions, decisions_for
from gradeprep.conform.findings import summary
from gradeprep.conform.gather import Gathered, gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.match import Choice
from gradeprep.conform.read import read_timeline
from gradeprep.conform.recipe import Source, recipe_text, write_recipe
from gradeprep.conform.update import Updated, update
from gradeprep.errors import GradeprepError, MissingPlateError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import ConformDocument, Recut, Remark
from gradeprep.model.yamltext import MAX_BYTES, parse_yaml
from gradeprep.pipeline.recipefile import build
from gradeprep.plates.regular import asked_for, decoded

__all__ = ["command"]


class _Rate(click.ParamType[Fraction]):
    name = "rate"

    def convert(self, value: Any, param: Any, ctx: Any) -> Fraction:
        found = value if isinstance(value, Fraction) else timecode.rate(str(value))
        if found is None:
            self.fail(f"'{value}' is not a rate; use 24, 25, 24000/1001 or 29.97", param, ctx)
        return found


@click.command("conform")
@click.argument("timeline", type=click.Path(path_type=Path))
@click.option(
    "--plates",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder of the plates, with all folders below it.",
)
@click.option("-o", "--output", "recipe", type=click.Path(path_type=Path), required=True,
              metavar="RECIPE", help="Recipe to write.")  # fmt: skip
@click.option(
    "--handles",
    type=click.IntRange(0, 100_000),
    default=0,
    metavar="N",
    help="Extra frames before and after each event, as far as they are on disk.",
)
@click.option(
    "--rate",
    type=_Rate(),
    metavar="RATE",
    help="Frames a second, over those of the timeline and of the plates' headers.",
)
@click.option("--per-event", is_flag=True, help="A shot for each event, not for each plate.")
@click.option(
    "--by-timecode",
    is_flag=True,
    help="Accept a plate whose timecode fits though its name or reel differs.",
)
@click.option("--latest", is_flag=True, help="Of several versions of a plate, use the latest.")
@click.option(
    "--prefer",
    multiple=True,
    metavar="PATTERN",
    help="Of several plates, use those whose path, file or folder fits PATTERN; repeatable.",
)
@click.option("--exclude", multiple=True, metavar="PATTERN", help="Leave out plates whose path, "
              "file or folder fits PATTERN; repeatable.")  # fmt: skip
@click.option("--space", metavar="NAME", help="Colour space of the plates.")
@click.option(
    "--decision",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Take balance and pull from plain gains in scene-linear light: .cc, .ccc, .cdl, .clf, "
    "an .edl or .ale with ASC CDL, an .otio or a folder of .cc or .clf from `handover`.",
)
@click.option(
    "--update",
    "update_recipe",
    is_flag=True,
    help="Bring RECIPE up to date with a changed cut: stages, overrides and comments stay, frames "
    "and events change, new shots are added, shots that left are kept as comments.",
)
@options.overwrite
@options.json_output
@options.traceback_option
def command(
    timeline: Path,
    plates: Path,
    recipe: Path,
    handles: int,
    rate: Fraction | None,
    per_event: bool,
    by_timecode: bool,
    latest: bool,
    prefer: tuple[str, ...],
    exclude: tuple[str, ...],
    space: str | None,
    decision: Path | None,
    update_recipe: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write the recipe of TIMELINE (OpenTimelineIO, CMX3600 EDL, ALE): the frames that it uses of
    the plates below DIR, each once. Reel and clip or file name identify the plate of an event; a
    plate that contradicts either is an error. Timecode chooses among several.

    \b
    Example:
      gradeprep conform cut.edl --plates plates --handles 8 --space ACEScct -o cut.yaml
    """
    choice = Choice(by_timecode=by_timecode, latest=latest, prefer=prefer)
    read = read_timeline(timeline, rate)
    library = find_plates(plates, exclude)
    found = gather(read, library, handles=handles, per_event=per_event, choice=choice)
    decisions = Decisions()
    if decision is not None:
        decisions = decisions_for(decision, found, library, choice)
    remarks = found.remarks
    recut = None
    if found.shots:
        source = Source(timeline, recipe.parent, found.title, space, decisions)
        if update_recipe:
            updated = _updated(recipe, found, source)
            text, found, recut = updated.text, updated.gathered, updated.recut
            remarks += updated.remarks
        else:
            text = recipe_text(found, source)
        data, lines = parse_yaml(text)
        build(data, lines=lines, file=str(recipe))  # what is written is a valid recipe
        write_recipe(recipe, text, overwrite=overwrite or update_recipe)
    remarks += tuple(_decided(found, recut, decisions, decision, timeline))
    document = _document(timeline, recipe, found, len(read.events), remarks, recut)
    _print(document, as_json=as_json)
    if not found.shots:
        raise MissingPlateError(
            "no event finds a frame, no recipe written", file=timeline, key="--plates"
        )
    sys.exit(1 if any(remark.severity == "fail" for remark in remarks) else 0)


def _updated(recipe: Path, found: Gathered, source: Source) -> Updated:
    before = decoded(asked_for(recipe, MAX_BYTES, missing="no such recipe to update"), recipe)
    try:
        return update(before, found, source)
    except GradeprepError as error:
        raise error.at(file=recipe) from error


def _decided(
    found: Gathered,
    recut: Recut | None,
    decisions: Decisions,
    file: Path | None,
    timeline: Path,
) -> Iterator[Remark]:
    """Which decisions apply, and what happens to the ASC CDL of the timeline.

    An update decides new shots only.
    """
    brings = sum(event.cdl is not None for use in found.shots.values() for event in use.events)
    if brings and (file is None or file.resolve() != timeline.resolve()):
        what = f"the ASC CDL of {brings} events is kept in the recipe, not applied"
        yield Remark(severity="note", what=what)
    if file is None:
        return
    shots = tuple(found.shots) if recut is None else recut.came
    lacking = [name for name in shots if name not in decisions.shots]
    if decisions.everywhere is not None:
        lacking = []
    decided = f"{len(shots) - len(lacking)} of {len(shots)} {'' if recut is None else 'new '}shots"
    what = f"{file.name} is applied as balance and pull to {decided}"
    yield Remark(severity="note", what=what)
    if lacking:
        what = f"{file.name} has no correction for {', '.join(lacking)}"
        yield Remark(severity="warn", what=what, remedy="set their stops")


def _document(
    timeline: Path,
    recipe: Path,
    found: Gathered,
    events: int,
    remarks: tuple[Remark, ...],
    recut: Recut | None,
) -> ConformDocument:
    return ConformDocument(
        timeline=str(timeline),
        recipe=str(recipe) if found.shots else None,
        events=events,
        shots={name: use.events for name, use in found.shots.items()},
        plates={name: str(use.plate.files.pattern) for name, use in found.shots.items()},
        frames={name: str(use.frames) for name, use in found.shots.items()},
        unplaced=found.unplaced,
        recut=recut,
        remarks=remarks,
    )


def _print(document: ConformDocument, *, as_json: bool) -> None:
    for line in summary(document.remarks):
        click.echo(line, err=True)
    if as_json:
        click.echo(document.model_dump_json(indent=1, by_alias=True))
        return
    for name, events in document.shots.items():
        numbers = ", ".join(event.event for event in events)
        click.echo(f"{name}  {document.frames[name]}  events {numbers}")
    placed = sum(len(events) for events in document.shots.values())
    if document.recut is not None:
        _print_recut(document.recut)
    where = document.recipe or "no recipe"
    click.echo(f"{placed} of {document.events} events, {len(document.shots)} shots: {where}")


def _print_recut(recut: Recut) -> None:
    for name in recut.came:
        click.echo(f"new      {name}")
    for name in recut.left:
        click.echo(f"parked   {name}")
    for name, frames in recut.grew.items():
        click.echo(f"grew     {name}  {frames}")
    for name, frames in recut.shrank.items():
        click.echo(f"shrank   {name}  {frames}")
    click.echo(f"{len(recut.kept)} shots keep their frames")

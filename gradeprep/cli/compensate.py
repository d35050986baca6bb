"""``gradeprep compensate --space NAME --stops -1,-2,-3 DIR``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from gradeprep import colour
from gradeprep.cli import options
from gradeprep.model.documents.compensation import FORMATS, CompensationDocument, Format
from gradeprep.model.stops import valid_stops
from gradeprep.onset.card import error_text, range_text
from gradeprep.onset.compensation import Ask, Tolerance, prepare
from gradeprep.onset.handout import make

__all__ = ["command"]


class _StopsList(click.ParamType[tuple[float, ...]]):
    """Numbers of stops with commas between them."""

    name = "stops"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, ...]:
        try:
            numbers = [float(item) for item in str(value).split(",")]
        except ValueError:
            self.fail(f"'{value}' is no list of stops such as -1,-2,-3", param, ctx)
        try:
            return tuple(valid_stops(number) for number in numbers)
        except ValueError as error:
            self.fail(str(error), param, ctx)


@click.command("compensate")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--space", required=True, metavar="NAME", help="Log space the camera records.")
@click.option(
    "--stops",
    type=_StopsList(),
    required=True,
    metavar="LIST",
    help="Exposure changes in stops: -1,-2,-3.",
)
@click.option(
    "--format",
    "formats",
    type=click.Choice(FORMATS),
    multiple=True,
    help="CLF, or .cube of one or three dimensions; may be given again [all that serve].",
)
@click.option("--size-1d", type=int, default=4096, help="Points of a 1D .cube [4096].")
@click.option("--size-3d", type=int, default=65, help="Points along an edge of a 3D .cube [65].")
@click.option("--display", metavar="NAME", help="Bake a view of this display in [log comes out].")
@click.option("--view", metavar="NAME", help="Its view [the display's default].")
@click.option("--working", metavar="NAME", default="scene_linear", help="Space of the light.")
@click.option(
    "--tolerance-stops",
    type=float,
    default=0.02,
    help="Log out: refuse a file that is off by more, from 6 stops under grey up [0.02].",
)
@click.option(
    "--tolerance-codes",
    type=float,
    help="The same in 10-bit codes, anywhere [1]; on neutrals, with a display [3].",
)
@click.option(
    "--tolerance-colours",
    type=float,
    default=64.0,
    help="With a display: in 10-bit codes, for 99 of 100 unclipped colours [64].",
)
@options.config
@options.overwrite
@options.json_output
@options.traceback_option
def command(
    folder: Path,
    config: str | None,
    formats: tuple[Format, ...],
    overwrite: bool,
    as_json: bool,
    tolerance_stops: float,
    tolerance_codes: float | None,
    tolerance_colours: float,
    **asked: Any,
) -> None:
    """Write transforms into DIR that show a hot recording at normal exposure on a monitor.

    Log in, log out; or a display's view out. Each file is read back and held against the exact
    transform before it is handed out, and a text card says what each is for. In post, the pull is
    the same number of stops.

    \b
    Examples:
      gradeprep compensate --space ACEScct --stops -1,-2,-3 monitor
      gradeprep compensate --space ACEScct --stops -2 --format 3d --size-3d 33 \\
        --tolerance-stops 0.1 --tolerance-codes 2 box
    """
    limits = Tolerance(stops=tolerance_stops, codes=tolerance_codes, colours=tolerance_colours)
    ask = Ask(formats=formats, tolerance=limits, **asked)
    chosen, _ = colour.choose_config(None, config)
    found = make(prepare(colour.load(chosen), ask), folder, overwrite=overwrite)
    for refused in found.refused:
        click.echo(f"gradeprep: {refused.file}: {refused.why}", err=True)
    if as_json:
        click.echo(found.model_dump_json(by_alias=True, indent=1))
    else:
        for line in _lines(found):
            click.echo(line)
    sys.exit(1 if found.refused else 0)


def _lines(found: CompensationDocument) -> Iterator[str]:
    for one in found.files:
        yield one.file
        yield f"  off by {error_text(one)}"
        yield f"  {range_text(one)}"
    for left in found.left_out:
        yield f"left out: {left}"
    if found.card:
        yield f"card: {found.card}"

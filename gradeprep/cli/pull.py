"""``gradeprep pull IN OUT --stops N``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from gradeprep.cli import options
from gradeprep.cli.jobs import carry_out, remarks
from gradeprep.machine import processors
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import TYPES
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.pullrecipe import PullAsk, recipe_of
from gradeprep.pipeline.recipefile import build
from gradeprep.plates.formats import compressions
from gradeprep.runners.local import Local

__all__ = ["command"]


def _compressions(context: click.Context, parameter: click.Parameter, begun: str) -> list[str]:
    """What a shell completes: the compressions of all formats."""
    return [name for name in compressions() if name.startswith(begun)]


@click.command("pull")
@click.argument("plate", metavar="IN", shell_complete=options.completed_as_files)
@click.argument("out", metavar="OUT", shell_complete=options.completed_as_files)
@click.option(
    "--stops",
    type=options.STOPS_OR_KEYS,
    required=True,
    help="Exposure change in stops, negative darkens; or keys 1001:-3,1048:-2.5.",
)
@click.option("--space", metavar="NAME", help="Colour space that the camera recorded.")
@click.option("--any-space", is_flag=True, help="Take a data or display-referred space as it is.")
@click.option("--working", metavar="NAME", help="Scene-linear space to work in.")
@click.option("--lift", type=options.STOPS, help="Open the shadows first, by these stops.")
@click.option("--below", type=options.STOPS, help="Tone under which the lift begins [-3].")
@click.option("--softness", type=options.STOPS, help="Width of its transition, in stops [3].")
@click.option("--balance", type=options.STOPS, nargs=3, metavar="R G B", help="Stops per channel.")
@click.option("--layer", "layers", multiple=True, metavar="NAME", help="Layer that is colour.")
@click.option("--out-space", metavar="NAME", help="Colour space of the result [as the source].")
@click.option("--type", "kind", type=click.Choice(TYPES), help="Type of the result.")
@click.option(
    "--compression",
    metavar="NAME",
    shell_complete=_compressions,
    help="Compression of the result, such as zip or none.",
)
@click.option("--container", type=click.Choice(["aces"]), help="SMPTE ST 2065-4 container.")
@click.option("--only-colour", is_flag=True, help="Leave out what the format cannot hold.")
@click.option(
    "--nonfinite", type=click.Choice(["keep", "fail"]), help="NaN and infinite pixels [keep]."
)
@click.option(
    "--allow-pulled",
    is_flag=True,
    help="Pull a plate whose metadata says it has already been pulled.",
)
@click.option("--name", metavar="SHOT", help="Name of the shot [from the file's name].")
@options.running
def command(
    plate: str,
    out: str,
    config: str | None,
    frames: FrameRange | None,
    jobs: int | None,
    memory: int | None,
    overwrite: bool,
    resume: bool,
    as_json: bool,
    quiet: bool,
    **asked: Any,
) -> None:
    """Bring the plate IN back by a number of stops; write it to OUT with its sidecar.

    IN is a pattern (quay.####.exr, quay.%04d.exr), a file, or a folder with one plate. OUT is a
    pattern, a file, or a folder, where the frames keep their names.

    \b
    Examples:
      gradeprep pull hot/quay.####.exr normal --stops -3 --space ACEScct
      gradeprep pull hot.exr normal.exr --stops -2 --lift 1 --space ACEScg
    """
    recipe = build(recipe_of(plate, out, PullAsk(**asked)))
    wish = Options(config, frames, overwrite, resume)
    here = Local(jobs or processors(), memory, report=remarks(quiet or as_json))
    sys.exit(carry_out(recipe, Path(), wish, engine=here, quiet=quiet, as_json=as_json))

"""``gradeprep run RECIPE``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.engines import chosen
from gradeprep.cli.jobs import carry_out
from gradeprep.errors import RequestError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners.engine import Engine

__all__ = ["command", "only"]


def only(recipe: Recipe, shots: tuple[str, ...]) -> Recipe:
    """The recipe with some of its shots.

    Raises:
        RequestError: It has no such shot.
    """
    for name in shots:
        if name not in recipe.shots:
            raise RequestError(
                f"the recipe has no shot '{name}'",
                key="--shot",
                remedy=f"it has {', '.join(recipe.shots)}",
            )
    return replace(recipe, shots={n: s for n, s in recipe.shots.items() if n in shots or not shots})


@click.command("run")
@click.argument("recipe", type=click.Path(path_type=Path))
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@options.running
@chosen
def command(
    recipe: Path,
    shots: tuple[str, ...],
    config: str | None,
    frames: FrameRange | None,
    engine: Engine,
    overwrite: bool,
    resume: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Bring back all shots of RECIPE: normalized plates, and a sidecar beside each.

    A shot whose plate is bad is named and left out; the others are finished, and the exit code
    is 1. A wrong request (exit code 2) touches nothing.

    \b
    Example:
      gradeprep run scene.yaml --resume
      gradeprep run scene.yaml --cluster tls://farm:8786
    """
    wish = Options(config, frames, overwrite, resume)
    read = only(read_recipe(recipe), shots)
    sys.exit(carry_out(read, recipe.parent, wish, engine=engine, quiet=quiet, as_json=as_json))

"""``gradeprep farm RECIPE -o BUNDLE``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.run import only
from gradeprep.errors import GradeprepError
from gradeprep.farm import bundle, makefile, openjd, slurm
from gradeprep.farm.freeze import freeze
from gradeprep.farm.rule import chunk_sizes
from gradeprep.model.bundle import FarmDocument, Form, Manifest
from gradeprep.model.framerange import FrameRange
from gradeprep.pipeline.cost import PATIENCE, estimate
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners.claim import sidecar_is_ours

__all__ = ["command"]


@click.command("farm")
@click.argument("recipe", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="BUNDLE",
    help="Folder to make; the nodes must see it.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["openjd", "sbatch", "make"]),
    default="openjd",
    show_default=True,
    help="Open Job Description template, Slurm scripts, or a Makefile.",
)
@click.option("--chunk", type=click.IntRange(1), metavar="N", help="Frames in one chunk.")
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@options.config
@options.frames
@options.overwrite
@options.json_output
@options.quiet
@options.traceback_option
def command(
    recipe: Path,
    out: Path,
    form: Form,
    chunk: int | None,
    shots: tuple[str, ...],
    config: str | None,
    frames: FrameRange | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Decide everything that RECIPE asks, and write it as a bundle for many machines.

    No node decides or meters anything. Without --chunk, a frame or two of each kind of shot are
    tried out, and a chunk takes about two minutes of one processor.

    \b
    Examples:
      gradeprep farm scene.yaml -o bundle
      gradeprep farm scene.yaml -o bundle --as sbatch && bundle/submit.sh
    """
    bundle.refuse_existing(out)
    read = only(read_recipe(recipe), shots)
    plan = make_plan(read, recipe.parent.absolute(), Options(config, frames, overwrite))
    left_out = _left_out(plan)
    for line in left_out.values():
        click.echo(f"gradeprep: {line}", err=True)
    if len(left_out) == len(read.shots):
        raise GradeprepError("no shot is left, so there is no bundle", file=recipe)
    sizes = _sizes(plan, chunk)
    frozen = freeze(plan, read, recipe, form=form, chunk=sizes)
    files = {**frozen.files, **_entry(form, frozen.manifest, name=recipe.stem, chunk=sizes)}
    bundle.save(out, files, programs=frozenset({"submit.sh"}))
    found = FarmDocument(
        bundle=str(out),
        form=form,
        frames=sum(len(FrameRange.parse(m.frames)) for m in frozen.manifest.shots.values()),
        chunks=len(frozen.manifest.chunks),
        chunk=sizes,
        left_out=left_out,
    )
    if as_json:
        click.echo(found.model_dump_json(by_alias=True, indent=1))
    elif not quiet:
        click.echo(_line(found))
    sys.exit(1 if left_out else 0)


def _left_out(plan: Plan) -> dict[str, str]:
    """Shots that cannot be done, each with its reason in one line."""
    found = {name: str(error) for name, error in plan.failed.items()}
    for name, shot in plan.shots.items():
        if shot.blocked:
            found[name] = f"{name}: {shot.blocked[0].line}"
        else:
            sidecar_is_ours(shot.document)
    return found


def _sizes(plan: Plan, chunk: int | None) -> dict[str, int]:
    cost = estimate(plan, workers=1, patience=0.0 if chunk else PATIENCE)
    if chunk is None:
        return dict(chunk_sizes(cost))
    return {name: min(chunk, shot.frames) for name, shot in cost.shots.items()}


def _entry(
    form: Form, manifest: Manifest, *, name: str, chunk: Mapping[str, int]
) -> Mapping[str, bytes]:
    """What the farm is handed."""
    if form == "openjd":
        return openjd.files(manifest, name=name, chunk=chunk)
    return slurm.files(manifest) if form == "sbatch" else makefile.files(manifest)


def _line(found: FarmDocument) -> str:
    how = {
        "openjd": "submit template.yaml with parameters.json",
        "sbatch": f"run {found.bundle}/submit.sh",
        "make": f"run make -C {found.bundle} -j8 -k",
    }
    shots = f"{len(found.chunk)} shot{'' if len(found.chunk) == 1 else 's'}"
    chunks = f"{found.chunks} chunk{'' if found.chunks == 1 else 's'}"
    return f"{found.bundle}: {found.frames} frames of {shots} in {chunks}; {how[found.form]}"

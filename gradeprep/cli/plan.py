"""``gradeprep plan RECIPE``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.run import only
from gradeprep.machine import processors
from gradeprep.model.documents.cost import Cost
from gradeprep.model.framerange import FrameRange
from gradeprep.model.order import StageOrder
from gradeprep.model.record import PlateRecord
from gradeprep.pipeline.cost import PATIENCE, estimate
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan, ShotPlan, plan_json
from gradeprep.pipeline.recipefile import read_recipe

__all__ = ["command"]


@click.command("plan")
@click.argument("recipe", type=click.Path(path_type=Path))
@click.option("--shot", "shots", multiple=True, metavar="NAME", help="Only this shot; repeatable.")
@options.config
@options.frames
@options.overwrite
@options.resume
@click.option(
    "--workers",
    type=click.IntRange(1, 1_000_000),
    metavar="N",
    help="Processors the cost is computed for; those of this machine by default.",
)
@click.option("--quick", is_flag=True, help="Run no sample frame; the cost then lists bytes alone.")
@options.json_output
@options.traceback_option
def command(
    recipe: Path,
    shots: tuple[str, ...],
    config: str | None,
    frames: FrameRange | None,
    overwrite: bool,
    resume: bool,
    workers: int | None,
    quick: bool,
    as_json: bool,
) -> None:
    """Print every decision that RECIPE leads to, meters read and all, and what it costs.

    Nothing is written. For the cost, a frame or two of each kind of shot are tried out in a
    temporary folder, for some two seconds at most; --quick leaves that out.

    \b
    Examples:
      gradeprep plan scene.yaml --json
      gradeprep plan scene.yaml --workers 400
    """
    read = only(read_recipe(recipe), shots)
    plan = make_plan(read, recipe.parent, Options(config, frames, overwrite, resume))
    cost = estimate(plan, workers=workers or processors(), patience=0.0 if quick else PATIENCE)
    if as_json:
        data = {**plan_json(plan), "cost": cost.model_dump(mode="json")}
        click.echo(json.dumps(data, indent=1))
    else:
        _print(plan)
        if cost.shots:
            click.echo("\ncost")
            _print_lines(_cost_lines(cost))
    for error in plan.failed.values():
        click.echo(f"gradeprep: {error}", err=True)
    blocked = any(shot.blocked for shot in plan.shots.values())
    sys.exit(1 if plan.failed or blocked else 0)


def _print(plan: Plan) -> None:
    click.echo(f"config   {plan.config[0]} ({plan.config[1]})")
    for name, shot in plan.shots.items():
        click.echo(f"\n{name}")
        _print_lines(_lines(shot))


def _print_lines(lines: list[tuple[str, str]]) -> None:
    for label, text in lines:
        click.echo(f"  {label:<9}{text}")


def _lines(shot: ShotPlan) -> list[tuple[str, str]]:
    document = shot.document
    source, result, colour = document.source, document.result, document.colour
    first, last, back = document.frames[0], document.frames[-1], document.reversible
    lines = [
        ("source", f"{source.pattern}  {source.frames}  ({len(document.frames)} frames)"),
        ("", f"{source.type}, {source.compression}, {_time(source)}"),
        ("result", result.pattern),
        ("", f"{result.type}, {result.compression}"),
        ("space", f"{colour.source} ({shot.space_from}) -> {colour.working} -> {colour.result}"),
    ]
    lines += [("stage", text) for text in _stages(first.stages, last.stages)]
    lines += [
        ("kernel", ", ".join(f"{name} on {count}" for name, count in shot.kernels.items())),
        ("back", f"{'exact' if back.exact else 'bounded'}: {back.why}"),
        ("disk", _disk(shot)),
    ]
    if back.ulp is None:
        lines[-2] = ("back", f"not exact: {back.why}")
    lines += [
        ("reading", f"{r.meter}: {r.stops:+.3f} stops, sigma {r.sigma:.3f}")
        for r in document.readings
    ]
    lines += [(f.severity, f.line) for f in document.findings]
    return lines


def _time(plate: PlateRecord) -> str:
    timecode = plate.timecode
    rate = f" at {plate.rate}" if plate.rate else ""
    return f"timecode {timecode[0]} to {timecode[1]}{rate}" if timecode else "no timecode"


def _stages(first: tuple[StageOrder, ...], last: tuple[StageOrder, ...]) -> list[str]:
    lines = []
    for one, other in zip(first, last, strict=True):
        text = f"{one.stage} {one.text}"
        if one != other:
            text += f" at the first frame, {other.text} at the last"
        lines.append(text)
    return lines or ["none"]


def _disk(shot: ShotPlan) -> str:
    word = "about" if shot.bytes_close else "at most"
    return f"{word} {shot.bytes_needed / 1e6:.1f} MB needed, {shot.bytes_free / 1e6:.0f} MB free"


def _cost_lines(cost: Cost) -> list[tuple[str, str]]:
    frames = f"{cost.frames} in {len(cost.shots)} shot{'' if len(cost.shots) == 1 else 's'}"
    bound = "" if cost.processor_seconds is not None else "at most "
    disk = f"read {_bytes(cost.bytes_read)}, write {bound}{_bytes(cost.bytes_written)}"
    lines = [("frames", frames), ("disk", disk)]
    if cost.processor_seconds is None or cost.wall_seconds is None:
        return [*lines, ("compute", f"not measured: {cost.why}")]
    each = cost.processor_seconds / cost.frames
    whole = f"{_duration(cost.processor_seconds)} of one processor, {each:.3g} s a frame"
    lines.append(("compute", f"{whole} ({_evidence(cost)})"))
    lines.append(("time", f"{_duration(cost.wall_seconds)} on {_processors(cost.workers)}"))
    if cost.read_rate and cost.write_rate:
        rates = f"reads {_bytes(cost.read_rate)}/s and writes {_bytes(cost.write_rate)}/s"
        lines.append(("", f"if the storage {rates}"))
    return lines


def _evidence(cost: Cost) -> str:
    """Where the seconds come from."""
    measured = [name for name, shot in cost.shots.items() if shot.source == "measured"]
    by_size = [name for name, shot in cost.shots.items() if shot.source == "by size"]
    shown = ", ".join(measured[:4]) + (f" and {len(measured) - 4} more" * (len(measured) > 4))
    text = f"measured on one frame of {shown}"
    if by_size:
        text += (
            f"; {len(by_size)} other kind{'' if len(by_size) == 1 else 's'} of shot by file size"
        )
    return text


def _processors(count: int) -> str:
    return f"{count} processor{'' if count == 1 else 's'}"


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.2g} s"
    if seconds < 100 * 60:
        return f"{seconds / 60:.2g} minutes"
    return f"{seconds / 3600:.3g} hours"


def _bytes(count: float) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count / 1e3:.3g} kB"

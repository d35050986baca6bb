"""``gradeprep demo DIR``."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.jobs import carry_out_plan, finish, remarks
from gradeprep.demo import picture, story
from gradeprep.demo.scenes import SIZE
from gradeprep.machine import processors
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners.local import Local

__all__ = ["command"]


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@options.jobs
@options.quiet
@options.traceback_option
def command(folder: Path, jobs: int | None, quiet: bool) -> None:
    """Invent a small production in DIR, bring it back, and hold the result to the known truth.

    A boat builder's short film: three shots recorded 1.5 to 3 stops hot by a simulated sensor,
    as EXR and 10-bit DPX, with a grey card and a 24-patch chart in the picture. Prints, for each
    shot, the stops read from its card or chart and the true ones, the worst error, and the noise
    left in the shadows; writes a contact sheet to look at.

    \b
    Example:
      gradeprep demo film
    """

    def report(line: str) -> None:
        if not quiet:
            click.echo(line, err=True)

    story.shoot_film(folder, SIZE, report)
    recipe = story.write_recipe(folder, SIZE)
    here = Local(jobs or processors(), report=remarks(quiet))
    job = carry_out_plan(read_recipe(recipe), folder, Options(), engine=here, quiet=quiet)
    code = finish(job, as_json=False, quiet=True)
    judged = list(story.judge(job, folder, SIZE))
    sheet = folder / "contact-sheet.png"
    picture.contact_sheet([shot.row for shot in judged], sheet)
    if not quiet:
        _print(judged)
        click.echo(f"\nlook at  {sheet}\nrecipe   {recipe}")
        click.echo(f"audit    gradeprep audit {_sidecar(folder, judged[0])}")
    sys.exit(code)


def _print(judged: Iterable[story.Judged]) -> None:
    head = ("shot", "stops read", "true stops", "worst error", "shadow noise")
    rows = [head, *(_cells(shot) for shot in judged)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    click.echo()
    for row in rows:
        cells = zip(row, widths, strict=True)
        first, *others = (
            text.ljust(w) if i == 0 else text.rjust(w) for i, (text, w) in enumerate(cells)
        )
        click.echo("   ".join((first, *others)))
    click.echo(
        "\nworst error: of any patch of the card or the chart, in stops"
        "\nshadow noise: as a share of the same scene's, recorded at normal exposure"
    )


def _cells(shot: story.Judged) -> tuple[str, ...]:
    truth = (shot.shot.pull(shot.shot.frames[0]), shot.shot.pull(shot.shot.frames[-1]))
    return (
        shot.shot.name,
        _span(shot.applied),
        _span(truth),
        f"{shot.error:.3f} stops",
        f"{shot.noise:.2f} x",
    )


def _span(stops: tuple[float, float]) -> str:
    first, last = stops
    return f"{first:+.3f}" if first == last else f"{first:+.3f} to {last:+.3f}"


def _sidecar(folder: Path, judged: story.Judged) -> Path:
    name = judged.shot.name
    return folder / "normalized" / name / f"{name}.stops.json"

"""``gradeprep audit SIDECAR|RECIPE|DIR``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from gradeprep import sidecar
from gradeprep.cli import options
from gradeprep.cli.jobs import stopping
from gradeprep.errors import RequestError
from gradeprep.handover.decided import of_recipe
from gradeprep.machine import processors
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.audit import Verdict, audit_frame
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners import local
from gradeprep.runners.outcome import Failed

__all__ = ["command"]


@click.command("audit")
@click.argument("path", metavar="SIDECAR|RECIPE|DIR", type=click.Path(path_type=Path))
@options.jobs
@options.memory
@options.json_output
@options.quiet
@options.traceback_option
def command(path: Path, jobs: int | None, memory: int | None, as_json: bool, quiet: bool) -> None:
    """Check every frame of a SIDECAR, of all shots of a RECIPE, or of all sidecars under DIR.

    Sources and results are compared with their recorded hashes, and each result is recomputed
    from its source and compared. Exit code 1 when any frame differs from its sidecar.

    \b
    Examples:
      gradeprep audit normal/quay.stops.json
      gradeprep audit film/normalized
    """
    shots: list[dict[str, object]] = []
    wrong = False
    for one in _sidecars(path):
        record = sidecar.load(one)
        verdicts = _verdicts(record, jobs, memory)
        bad = [verdict for verdict in verdicts if verdict.problems]
        wrong = wrong or bool(bad)
        for verdict in bad:
            for problem in verdict.problems:
                click.echo(f"gradeprep: {record.shot} frame {verdict.number}: {problem}", err=True)
        frames = {str(verdict.number): list(verdict.problems) for verdict in verdicts}
        shots.append({"shot": record.shot, "frames": frames})
        if not (as_json or quiet):
            right = len(verdicts) - len(bad)
            click.echo(f"{record.shot}: {right} of {len(verdicts)} frames are as the sidecar says")
    if as_json:
        many = not path.name.endswith(sidecar.SUFFIX)
        click.echo(json.dumps(shots if many else shots[0], indent=1))
    sys.exit(1 if wrong else 0)


def _sidecars(path: Path) -> list[Path]:
    """The sidecars that a path stands for."""
    if path.name.endswith(sidecar.SUFFIX):
        return [path]
    if not path.is_dir():
        return [one.sidecar for one in of_recipe(read_recipe(path), path.parent)]
    found = sorted(path.rglob(f"*{sidecar.SUFFIX}"))
    if not found:
        raise RequestError(
            f"no sidecar (*{sidecar.SUFFIX}) in this folder",
            file=path,
            remedy="name the folder of the results, a recipe or a sidecar",
        )
    return found


def _verdicts(record: ShotDocument, jobs: int | None, memory: int | None) -> list[Verdict]:
    with stopping() as stop:
        jobs = jobs or processors()
        work = local.run(record, audit_frame, jobs=jobs, memory=memory, stop=stop)
        return sorted((_verdict(outcome) for outcome in work), key=lambda v: v.number)


def _verdict(outcome: Verdict | Failed) -> Verdict:
    if isinstance(outcome, Failed):
        return Verdict(outcome.number, (outcome.error.partition(": ")[2],))
    return outcome

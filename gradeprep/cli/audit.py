"""``gradeprep audit SIDECAR``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from gradeprep import sidecar
from gradeprep.cli import options
from gradeprep.cli.jobs import stopping
from gradeprep.machine import processors
from gradeprep.pipeline.audit import Verdict, audit_frame
from gradeprep.runners import local
from gradeprep.runners.outcome import Failed

__all__ = ["command"]


@click.command("audit")
@click.argument("sidecar_path", metavar="SIDECAR", type=click.Path(path_type=Path))
@options.jobs
@options.memory
@options.json_output
@options.quiet
@options.traceback_option
def command(
    sidecar_path: Path, jobs: int | None, memory: int | None, as_json: bool, quiet: bool
) -> None:
    """Check that every frame is what SIDECAR says, and follows from its source.

    Sources and results are compared with their recorded hashes, and each result is recomputed
    from its source and compared. Exit code 1 when any frame is not as the sidecar says.

    \b
    Example:
      gradeprep audit normal/quay.stops.json
    """
    record = sidecar.load(sidecar_path)
    with stopping() as stop:
        jobs = jobs or processors()
        work = local.run(record, audit_frame, jobs=jobs, memory=memory, stop=stop)
        verdicts = sorted((_verdict(outcome) for outcome in work), key=lambda v: v.number)
    wrong = [verdict for verdict in verdicts if verdict.problems]
    for verdict in wrong:
        for problem in verdict.problems:
            click.echo(f"gradeprep: {record.shot} frame {verdict.number}: {problem}", err=True)
    if as_json:
        data = {str(verdict.number): list(verdict.problems) for verdict in verdicts}
        click.echo(json.dumps({"shot": record.shot, "frames": data}, indent=1))
    elif not quiet:
        right = len(verdicts) - len(wrong)
        click.echo(f"{record.shot}: {right} of {len(verdicts)} frames are as the sidecar says")
    sys.exit(1 if wrong else 0)


def _verdict(outcome: Verdict | Failed) -> Verdict:
    if isinstance(outcome, Failed):
        return Verdict(outcome.number, (outcome.error.partition(": ")[2],))
    return outcome

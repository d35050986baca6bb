"""``gradeprep restore SIDECAR OUT``."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from gradeprep import crashreport, sidecar
from gradeprep.cli import options
from gradeprep.cli.jobs import stopping
from gradeprep.errors import OutputRefusedError
from gradeprep.machine import processors
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.flow import run_frame
from gradeprep.pipeline.replay import undone
from gradeprep.runners import local, lock, share
from gradeprep.runners.folder import result_folder
from gradeprep.runners.outcome import Failed

__all__ = ["command"]


@click.command("restore")
@click.argument("sidecar_path", metavar="SIDECAR", type=click.Path(path_type=Path))
@click.argument("out", metavar="OUT", shell_complete=options.completed_as_files)
@options.jobs
@options.memory
@options.overwrite
@options.json_output
@options.quiet
@options.traceback_option
def command(
    sidecar_path: Path,
    out: str,
    jobs: int | None,
    memory: int | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Undo what SIDECAR says was applied; write the plates as they were before to OUT.

    How exactly that can be done stands in the sidecar under 'reversible'.

    \b
    Example:
      gradeprep restore normal/quay.stops.json before
    """
    record = sidecar.load(sidecar_path)
    document = undone(record, out)
    with stopping() as stop, _claimed(document, overwrite=overwrite):
        crashreport.begun()
        work = local.run(document, run_frame, jobs=jobs or processors(), memory=memory, stop=stop)
        outcomes = list(work)
    failed = [outcome for outcome in outcomes if isinstance(outcome, Failed)]
    for frame in failed:
        click.echo(f"gradeprep: {frame.error}", err=True)
    done = len(outcomes) - len(failed)
    if as_json:
        data = {
            "restored": done,
            "reversible": record.reversible.model_dump(mode="json"),
            "failed": [{"frame": f.number, "error": f.error} for f in failed],
        }
        click.echo(json.dumps(data, indent=1))
    elif not quiet and done:
        click.echo(f"{record.shot}: {done} frames restored; {record.reversible.why}")
    sys.exit(1 if failed else 0)


@contextmanager
def _claimed(document: ShotDocument, *, overwrite: bool) -> Iterator[None]:
    """The folder of the restored plate, ours alone for as long."""
    folder = Path(document.folder)
    with result_folder(folder), lock.held(folder, document.shot):
        share.refuse_others(folder, document.shot)
        existing = [entry.result for entry in document.frames if os.path.lexists(entry.result)]
        if existing and not overwrite:
            raise OutputRefusedError("exists already", file=existing[0], remedy="say --overwrite")
        yield

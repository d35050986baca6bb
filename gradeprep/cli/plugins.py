"""``gradeprep plugins``."""

from __future__ import annotations

import json

import click

from gradeprep.cli import options
from gradeprep.errors import PluginError
from gradeprep.plugins.registry import KINDS, Entry, installed

__all__ = ["command"]


@click.command("plugins")
@options.json_output
@options.traceback_option
def command(as_json: bool) -> None:
    """List stages, meters, checks and hand-overs: name, kind, where each comes from, one line.

    A plugin that does not load is listed with its error; it disturbs no other.

    \b
    Example:
      gradeprep plugins
    """
    rows = [_row(entry) for entry in installed().entries]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    widths = [max(len(row[key]) for row in rows) for key in ("name", "kind", "source")]
    for kind in KINDS:
        for row in rows:
            if row["kind"] == kind[:-1]:
                cells = (row["name"], row["kind"], row["source"])
                text = "  ".join(c.ljust(w) for c, w in zip(cells, widths, strict=True))
                click.echo(f"{text}  {row['error'] or row['summary']}")


def _row(entry: Entry) -> dict[str, str]:
    row = {"name": entry.name, "kind": entry.kind[:-1], "source": entry.source}
    try:
        made = installed().get(entry.kind, entry.name)
    except PluginError as error:
        return {**row, "summary": "", "error": str(error)}
    return {**row, "summary": made.summary, "error": ""}

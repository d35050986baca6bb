"""``gradeprep plugins``."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

import click

from gradeprep.cli import options
from gradeprep.errors import PluginError
from gradeprep.model.documents.plugins import ParameterDocument, PluginDocument, PluginsDocument
from gradeprep.plugins.contractcheck import KINDS
from gradeprep.plugins.contracts import API
from gradeprep.plugins.parameters import described
from gradeprep.plugins.registry import Entry, installed

__all__ = ["command"]


@click.command("plugins")
@click.option(
    "--verbose", "-v", is_flag=True, help="Print each plugin's parameters, types and units too."
)
@options.json_output
@options.traceback_option
def command(verbose: bool, as_json: bool) -> None:
    """List stages, meters, checks and hand-overs: name, kind, where each comes from, one line.

    A plugin that does not load is listed with its error; it disturbs no other.

    \b
    Examples:
      gradeprep plugins
      gradeprep plugins --verbose
    """
    entries = installed().entries
    lines = [_document(entry) for kind in KINDS for entry in entries if entry.kind == kind]
    if as_json:
        listed = PluginsDocument(api=API, plugins=tuple(lines))
        click.echo(listed.model_dump_json(by_alias=True, indent=1))
        return
    rows = [(one.name, one.kind, one.source) for one in lines]
    for one, cells in zip(lines, _columns(rows), strict=True):
        click.echo(f"{cells}  {one.error or one.summary}")
        if verbose:
            for line in _parameters(one.parameters):
                click.echo(f"    {line}")


def _document(entry: Entry) -> PluginDocument:
    one = PluginDocument(
        name=entry.name, kind=entry.kind[:-1], source=entry.source, target=entry.target
    )
    try:
        made = installed().get(entry.kind, entry.name)
    except PluginError as error:
        return one.model_copy(update={"error": str(error)})
    data = {"summary": made.summary, "parameters": described(made.Params)}
    return one.model_copy(update=data)


def _parameters(parameters: Sequence[ParameterDocument]) -> Iterator[str]:
    rows = [(one.name, one.type, _default(one)) for one in parameters]
    for cells, one in zip(_columns(rows), parameters, strict=True):
        yield f"{cells}  {one.description}"


def _default(one: ParameterDocument) -> str:
    if one.required:
        return "needed"
    return "-" if one.default is None else json.dumps(one.default)


def _columns(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """Each row's cells, one under another."""
    widths = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))

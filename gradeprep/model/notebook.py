"""How a notebook shows our data: small tables of HTML, every word in them escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

__all__ = ["table"]

_ROWS, _NOTES = 60, 12
"""So many are told, and then how many more there are: a deep file has thousands of channels."""


def table(
    title: str,
    rows: Iterable[Sequence[object]],
    *,
    head: Sequence[str] = (),
    notes: Iterable[str] = (),
) -> str:
    """A table as HTML that stands alone, without styles, scripts or links.

    Args:
        title: Its caption, plain text.
        rows: Cells of each row, plain text; the first is the row's name.
        head: Names of the columns; none when left out.
        notes: Sentences under it.
    """
    lines = [f"<table><caption>{escape(title)}</caption>"]
    if head:
        columns = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
        lines.append(f"<thead><tr>{columns}</tr></thead>")
    told, said = list(rows), list(notes)
    lines.append("<tbody>")
    for name, *cells in told[:_ROWS]:
        row = "".join(f"<td>{escape(str(cell))}</td>" for cell in cells)
        lines.append(f'<tr><th scope="row">{escape(str(name))}</th>{row}</tr>')
    lines.append("</tbody></table>")
    lines += _more(len(told) - _ROWS, "rows")
    lines += [f"<p>{escape(note)}</p>" for note in said[:_NOTES]]
    lines += _more(len(said) - _NOTES, "notes")
    return "".join(lines)


def _more(count: int, what: str) -> list[str]:
    return [f"<p>and {count} more {what}</p>"] if count > 0 else []

"""Readings, frames, plans and sidecars as tables, plates as pictures, in a notebook.

``%load_ext gradeprep.review.notebook`` gives the notebook a formatter for each of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from gradeprep.model.frame import Frame, pixel_aspect
from gradeprep.model.pixeltypes import pixel_type
from gradeprep.model.record import Reading
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.planned import Plan, ShotPlan
from gradeprep.pipeline.view import View
from gradeprep.review.imagebytes import encoded
from gradeprep.review.screen import screen

__all__ = ["load_ipython_extension", "picture_of", "table"]

_SIDE = 640
_ROWS, _NOTES = 60, 12
"""A table ends after so many: a deep file has thousands of channels."""


def load_ipython_extension(ipython: Any) -> None:
    """Register the formatters; IPython calls this for ``%load_ext``."""
    formatters = ipython.display_formatter.formatters
    formatters["image/png"].for_type(View, picture_of)
    for kind, drawn in (
        (Reading, _reading),
        (Frame, _frame),
        (ShotDocument, _document),
        (Plan, _plan),
    ):
        formatters["text/html"].for_type(kind, drawn)


def picture_of(view: View) -> bytes:
    """The plate's first frame as a PNG, its longest side at most 640 pixels.

    The picture goes through the config's default display and view.

    Raises:
        GradeprepError: The frame cannot be read, or the config's default view does not build.
    """
    frame = view.frames.first
    shown = screen(view.colour, view.working)
    picture = shown.picture(
        view.pixels(frame),
        side=_SIDE,
        broken=view.broken(frame),
        aspect=pixel_aspect(view.header(frame)),
    )
    return encoded(picture, "png")


def table(
    title: str,
    rows: Iterable[Sequence[object]],
    *,
    head: Sequence[str] = (),
    notes: Iterable[str] = (),
) -> str:
    """A table as HTML without styles, scripts or links.

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
    cells_of, sentences = list(rows), list(notes)
    lines.append("<tbody>")
    for name, *cells in cells_of[:_ROWS]:
        row = "".join(f"<td>{escape(str(cell))}</td>" for cell in cells)
        lines.append(f'<tr><th scope="row">{escape(str(name))}</th>{row}</tr>')
    lines.append("</tbody></table>")
    lines += _more(len(cells_of) - _ROWS, "rows")
    lines += [f"<p>{escape(note)}</p>" for note in sentences[:_NOTES]]
    lines += _more(len(sentences) - _NOTES, "notes")
    return "".join(lines)


def _more(count: int, what: str) -> list[str]:
    return [f"<p>and {count} more {what}</p>"] if count > 0 else []


def _reading(reading: Reading) -> str:
    rows = [("pull by", f"{reading.stops:+.3f} ± {reading.sigma:.3f} stops")]
    if reading.balance is not None:
        stops = " ".join(f"{one:+.3f}" for one in reading.balance)
        rows.append(("balance", f"{stops} stops for R, G, B"))
    if reading.weak:
        rows.append(("evidence", "weak"))
    return table(f"reading of {reading.meter}", rows, notes=reading.warnings)


def _frame(frame: Frame) -> str:
    rows = [
        (
            part.name or f"part {index}",
            name,
            pixel_type(plane, part.bits),
            f"{plane.shape[1]} x {plane.shape[0]}",
        )
        for index, part in enumerate(frame.parts)
        for name, plane in part.channels.items()
    ]
    return table(f"{frame.format} frame", rows, head=("part", "channel", "type", "size"))


def _document(record: ShotDocument) -> str:
    low, high = record.span
    rows = [
        ("source", f"{record.source.pattern} ({record.source.type})"),
        ("result", f"{record.result.pattern} ({record.result.type})"),
        ("frames", f"{record.source.frames} ({len(record.frames)})"),
        ("stops", f"{low:+.3f}" if low == high else f"{low:+.3f} to {high:+.3f}"),
        *((order.stage, order.text) for order in record.frames[0].stages),
        ("space", f"{record.colour.source} to {record.colour.result}"),
        ("reversible", record.reversible.why),
    ]
    notes = [f"{finding.severity}: {finding.line}" for finding in record.findings]
    return table(f"shot {record.shot}", rows, notes=notes)


def _plan(plan: Plan) -> str:
    rows = [(name, *_decisions(shot)) for name, shot in plan.shots.items()]
    notes = [
        *(str(error) for error in plan.failed.values()),
        *(
            f"{name}: {finding.severity}: {finding.line}"
            for name, shot in plan.shots.items()
            for finding in shot.document.findings
        ),
    ]
    return table("plan", rows, head=("shot", "frames", "stages", "stands"), notes=notes)


def _decisions(shot: ShotPlan) -> tuple[str, str, str]:
    document = shot.document
    first, last = document.frames[0], document.frames[-1]
    stages = []
    for one, other in zip(first.stages, last.stages, strict=True):
        until = "" if one == other else f" to {other.text}"
        stages.append(f"{one.stage} {one.text}{until}")
    if shot.blocked:
        stands = "refused"
    else:
        stands = f"{len(shot.existing)} of {len(document.frames)} results exist"
    frames = f"{document.source.frames} ({len(document.frames)})"
    return frames, "; ".join(stages) or "none", stands

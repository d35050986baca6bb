"""Pull list: a row an event with its frames and its decision, as CSV or as ALE."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import GradeprepError, RequestError, WriteError
from gradeprep.handover.cut import Cut, Piece, RateParams, cut_of
from gradeprep.model.order import StageOrder
from gradeprep.plates import files
from gradeprep.plugins.contracts import Decided, Document, LeftOut

__all__ = ["Ale", "Csv"]

_COLUMNS = (
    "shot", "event", "reel", "timecode in", "timecode out", "frames", "handles", "stops",
    "balance", "lift", "clipped %", "sidecar", "result",
)  # fmt: skip
_RATES = {"24": "24", "24000/1001": "23.976", "25": "25", "30": "30", "30000/1001": "29.97",
          "48": "48", "50": "50", "60": "60", "60000/1001": "59.94"}  # fmt: skip


class Csv:
    """One file, comma-separated, with a line of column names (RFC 4180)."""

    name = "csv"
    summary = "pull list, one file: a row an event, for a spreadsheet"
    Params = RateParams

    def make(
        self, shots: Sequence[Decided], params: RateParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of all shots."""
        cut = cut_of(shots, params.rate)
        rows = [_COLUMNS, *_rows(cut)]
        out = io.StringIO(newline="")
        csv.writer(out, lineterminator="\n").writerows([map(_safe, row) for row in rows])
        return [_document(f"{title}.csv", out.getvalue(), shots, cut, len(rows) - 1)]


class Ale:
    """One file: a log of clips as a table with tabs."""

    name = "ale"
    summary = "pull list, one file: a log of clips (ALE), a row an event"
    Params = RateParams

    def make(
        self, shots: Sequence[Decided], params: RateParams, title: str
    ) -> list[Document | LeftOut]:
        """One document of all shots."""
        cut = cut_of(shots, params.rate)
        rate = _RATES.get(str(cut.media.rate))
        if rate is None:
            what = f"labels do not count {cut.media.rate} frames a second"
            raise RequestError(what, key="--as ale", remedy="ask for csv")
        columns = ("Name", "Tape", "Start", "End", *_COLUMNS[:2], *_COLUMNS[5:])
        rows = [
            (piece.clip, row[2], row[3], row[4], *row[:2], *row[5:])
            for piece, row in zip(_pieces(cut), _rows(cut), strict=True)
        ]
        lines = ["Heading", "FIELD_DELIM\tTABS", f"FPS\t{rate}", "", "Column"]
        lines += ["\t".join(columns), "", "Data"]
        lines += ["\t".join(" ".join(value.split()) for value in row) for row in rows]
        return [_document(f"{title}.ale", "\n".join(lines) + "\n", shots, cut, len(rows))]


def _document(name: str, text: str, shots: Sequence[Decided], cut: Cut, rows: int) -> Document:
    return Document(
        name=name,
        text=text,
        shots=tuple(shot.record.shot for shot in shots),
        prove=partial(_prove, text=text, rows=rows),
        notes=cut.notes,
    )


def _prove(path: Path, text: str, rows: int) -> str:
    if path.read_bytes().decode("utf-8") != text:
        raise WriteError("reads back as another list", file=path)
    return f"read back: {rows} rows"


def _pieces(cut: Cut) -> list[Piece]:
    return [piece for piece in cut.pieces if piece.length]


def _rows(cut: Cut) -> list[tuple[str, ...]]:
    shots = {piece.name: piece.shot for piece in cut.pieces}
    clipped = {name: _clipped(shot) for name, shot in shots.items()}
    return [_row(piece, clipped[piece.name]) for piece in _pieces(cut)]


def _row(piece: Piece, clipped: str) -> tuple[str, ...]:
    event, record = piece.event, piece.shot.record
    frames = event.frames if event else f"{piece.first}-{piece.first + piece.length - 1}"
    begin, end = piece.first, piece.first + piece.taken
    return (
        record.shot,
        event.event if event else "",
        piece.reel,
        piece.media.label(min(begin, end)),
        piece.media.label(max(begin, end)),
        frames,
        "{} {}".format(*event.handles) if event else "0 0",
        _over(f"{frame.stops:+.4g}" for frame in record.frames),
        *(
            _over(_stage(frame.stages, stage) for frame in record.frames)
            for stage in ("balance", "lift")
        ),
        clipped,
        str(piece.shot.sidecar.resolve()),
        str(sidecar.absolute(record.result.pattern, piece.shot.sidecar.parent.resolve())),
    )


def _over(values: Iterable[str]) -> str:
    """One value of all frames, or the first and the last of those that vary."""
    found = list(dict.fromkeys(values))
    return found[0] if len(found) == 1 else f"{found[0]} to {found[-1]}"


def _stage(stages: Sequence[StageOrder], name: str) -> str:
    found = [stage.numbers for stage in stages if stage.stage == name]
    if not found:
        return ""
    parts = []
    for key, value in found[0].items():
        values = value if isinstance(value, list | tuple) else [value]
        shown = " ".join(f"{one:+.4g}" if isinstance(one, float) else str(one) for one in values)
        parts.append(shown if key == "stops" else f"{key} {shown}")
    return ", ".join(parts)


def _clipped(shot: Decided) -> str:
    """Largest share of clipped samples in one channel of one frame, in percent; "unknown"."""
    path = Path(shot.record.frames[0].source)
    counts = (frame.finished.counts for frame in shot.record.frames)
    most = max((max(one.clipped.values(), default=0) for one in counts), default=0)
    if most == 0:
        return "0"
    try:
        _, _, width, height = files.inspect(path).parts[0].data_window
    except GradeprepError:
        return "unknown (no source to measure its size)"
    return f"{100 * most / (width * height):.4g}"


def _safe(value: str) -> str:
    """A text that a spreadsheet would take for a formula, as a text."""
    formula = value[:1] in ("=", "@") or (value[:1] in "+-" and value[1:2].isalpha())
    return f"'{value}" if value and formula else value

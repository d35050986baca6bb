"""Camera notes on disk: the row of a shot out of a CSV or YAML file.

CSV: a header line of column names, then one row a shot. YAML: a mapping of shot to its values, or
to a list of them. A row may say which ``frames`` it stands for; the same shot may then have
several. Every column carries its unit in its name, and a column that nobody knows is refused
rather than passed over: it may be the filter.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeprep.errors import RequestError
from gradeprep.meters.labels import COLUMNS
from gradeprep.model.framerange import FrameRange
from gradeprep.model.yamltext import parse_yaml
from gradeprep.plates.regular import asked_for, decoded

__all__ = ["FREE", "Note", "read_note"]

FREE = ("camera", "comment", "lens", "roll", "scene", "slate", "take")
"""Columns that notes may have beside those about exposure; they are not looked at."""

_MAX_BYTES = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Note:
    """The notes of one shot.

    Attributes:
        file: The file they stand in.
        line: Its line number.
        shot: Name of the shot.
        cells: Column to text, empty ones left out.
    """

    file: str
    line: int
    shot: str
    cells: Mapping[str, str]

    def fault(self, column: str, what: str, remedy: str = "") -> RequestError:
        """An error about one of its values."""
        key = f"line {self.line}" + (f": {column}" if column else "")
        return RequestError(what, file=self.file, key=key, remedy=remedy)

    def covers(self, frame: int) -> bool:
        """Whether it stands for a frame."""
        if "frames" not in self.cells:
            return True
        try:
            return frame in FrameRange.parse(self.cells["frames"])
        except ValueError as error:
            raise self.fault("frames", str(error)) from error


def read_note(path: Path, *, shot: str, frame: int, ignore: Iterable[str] = ()) -> Note:
    """The notes of a shot at a frame.

    Args:
        path: A ``.csv``, ``.yaml`` or ``.yml`` file of at most 4 MiB.
        shot: Name of the shot, as the notes have it.
        frame: Frame number.
        ignore: Further columns that are not about exposure.

    Raises:
        RequestError: The file cannot be read, no row or several rows are for that frame, or a
            column is unknown; with file, line and column.
    """
    rows = _rows(path)
    own = [row for row in rows if row.shot == shot]
    if not own:
        known = sorted({row.shot for row in rows})
        close = difflib.get_close_matches(shot, known, n=3, cutoff=0.5) or known[:8]
        raise RequestError(
            f"has no notes for shot '{shot}'", file=path, remedy=f"it has {', '.join(close)}"
        )
    fitting = [row for row in own if row.covers(frame)]
    if not fitting:
        raise own[0].fault("frames", f"no row of shot '{shot}' is for frame {frame}")
    if len(fitting) > 1:
        lines = " and ".join(str(row.line) for row in fitting[:2])
        raise RequestError(
            f"lines {lines} are both for shot '{shot}', frame {frame}",
            file=path,
            remedy="say in a column 'frames' which frames each is for",
        )
    _check_columns(fitting[0], tuple(ignore))
    return fitting[0]


def _check_columns(note: Note, ignore: tuple[str, ...]) -> None:
    for column in note.cells:
        if column not in ("shot", "frames", *COLUMNS, *FREE, *ignore):
            raise note.fault(
                column,
                "is not a known name, so its unit is not known",
                f"known: {', '.join(COLUMNS)}; name it in 'ignore' if it is not about exposure",
            )


def _rows(path: Path) -> list[Note]:
    readers = {".csv": _csv_rows, ".yaml": _yaml_rows, ".yml": _yaml_rows}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise RequestError("is not a kind of notes", file=path, remedy="give .csv, .yaml or .yml")
    raw = asked_for(path, _MAX_BYTES, missing="there are no such notes")
    rows = list(reader(decoded(raw, path, "utf-8-sig"), str(path)))
    if not rows:
        raise RequestError("has no notes in it", file=path)
    return rows


def _csv_rows(text: str, file: str) -> Iterator[Note]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        names = [name.strip() for name in next(reader, [])]
        _check_names(names, file)
        for cells in reader:
            values = [cell.strip() for cell in cells]
            if not any(values):
                continue
            if len(values) > len(names):
                what = f"has {len(values)} values for {len(names)} columns"
                raise RequestError(what, file=file, key=f"line {reader.line_num}")
            data = dict(zip(names, values, strict=False))
            filled = {name: value for name, value in data.items() if value}
            yield Note(file, reader.line_num, filled.get("shot", ""), filled)
    except csv.Error as error:
        raise RequestError(f"not CSV: {error}", file=file, key=f"line {reader.line_num}") from error


def _check_names(names: list[str], file: str) -> None:
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise RequestError(f"column '{twice[0]}' is given twice", file=file, key="line 1")
    if "shot" not in names:
        raise RequestError(
            "no column is called 'shot'",
            file=file,
            key="line 1",
            remedy="name the columns in the first line, with commas between",
        )


def _yaml_rows(text: str, file: str) -> Iterator[Note]:
    data, lines = parse_yaml(text, file=file)
    if not isinstance(data, dict):
        raise RequestError("notes are a mapping of shot to values", file=file, key="line 1")
    for shot, found in data.items():
        listed = isinstance(found, list)
        for index, row in enumerate(found if listed else [found]):
            line = lines.of((shot, index) if listed else (shot,)) or 1
            if not isinstance(row, dict):
                raise RequestError(
                    f"the notes of '{shot}' are not a mapping", file=file, key=f"line {line}"
                )
            yield Note(file, line, str(shot), _cells(row))


def _cells(row: Mapping[Any, Any]) -> dict[str, str]:
    return {str(name): str(value).strip() for name, value in row.items() if value is not None}

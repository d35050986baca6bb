"""Hand-over: a table of lights, one line for each run of frames that has the same ones."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import groupby
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from gradeprep.errors import WriteError
from gradeprep.plugins.contracts import Decided, Document, LeftOut
from printer_points.points import Triple, points_of

__all__ = ["LightList", "LightListParams"]

_HEAD = ("shot", "frames", "red", "green", "blue")

Row = tuple[str, str, Triple]


class LightListParams(BaseModel):
    """Parameters of the hand-over."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    places: int = Field(2, ge=0, le=6, description="Decimal places of a printer point")


class LightList:
    """CSV: shot, frames, and the printer points of R, G and B that bring it back."""

    api = 1
    name = "light_list"
    summary = "printer points of every run of frames, CSV, one file"
    Params = LightListParams

    def make(
        self, shots: Sequence[Decided], params: LightListParams, title: str
    ) -> list[Document | LeftOut]:
        """One document; a shot with more to it than gains is left out."""
        left_out = [
            LeftOut(shot.record.shot, f"{', '.join(shot.beyond)} is no matter of lights")
            for shot in shots
            if shot.beyond
        ]
        told = [shot for shot in shots if not shot.beyond]
        if not told:
            return [*left_out]
        rows = [row for shot in told for row in _rows(shot, params.places)]
        document = Document(
            name=f"{title}.lights.csv",
            text=_text(rows, params.places),
            shots=tuple(shot.record.shot for shot in told),
            prove=partial(_prove, rows=rows),
            notes=("in scene-linear light; plus is brighter",),
        )
        return [document, *left_out]


def _rows(shot: Decided, places: int) -> Iterator[Row]:
    """Runs of frames with the same lights."""

    def lights(frame: int) -> Triple:
        red, green, blue = (round(point, places) for point in points_of(shot.gains[frame]))
        return (red, green, blue)

    for found, run in groupby(sorted(shot.gains), key=lights):
        frames = list(run)
        span = f"{frames[0]}-{frames[-1]}" if len(frames) > 1 else f"{frames[0]}"
        yield shot.record.shot, span, found


def _text(rows: Sequence[Row], places: int) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(_HEAD)
    for shot, frames, lights in rows:
        table.writerow((shot, frames, *(f"{light:+.{places}f}" for light in lights)))
    return text.getvalue()


def _prove(path: Path, rows: Sequence[Row]) -> str:
    """Read the file back, and compare it with what was decided."""
    head, *found = csv.reader(path.read_text(encoding="utf-8").splitlines() or [""])
    try:
        read = [(row[0], row[1], tuple(float(cell) for cell in row[2:])) for row in found]
    except (IndexError, ValueError) as error:
        raise WriteError("reads back as no table of lights", file=path) from error
    if tuple(head) != _HEAD or read != list(rows):
        raise WriteError("reads back as other lights", file=path)
    return f"read back: {len(rows)} runs of frames"

"""ALE, a log of clips as a table with tabs: a row is an event; a bad row is reported by its line.

Three sections: ``Heading`` (with ``FPS``), ``Column`` (one line of names), ``Data`` (a row a clip).
A section may start on the line of its name, and a heading may be one line of keys and values.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction

from gradeprep.conform.timeline import (
    LABEL,
    Event,
    Timeline,
    cdl_of,
    name_of_path,
    numbers_in,
)
from gradeprep.errors import RequestError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import CdlDocument, Remark

__all__ = ["read"]

_SECTIONS = ("Heading", "Column", "Data")
_REELS = ("Tape", "Tape Name", "Reel", "Reel Name", "TapeID", "Source Tape")
_CLIPS = ("Name", "Source File", "Source File Name", "File Name")


def read(lines: list[str], rate: Fraction | None) -> Timeline:
    """Events of a log.

    Args:
        lines: The file's lines.
        rate: Frames a second, over what the heading gives.

    Raises:
        RequestError: It has no table, or does not separate its fields by tabs.
    """
    columns: list[str] = []
    rows: list[tuple[int, str]] = []
    heading: dict[str, str] = {}
    for number, section, text in _sections(lines):
        if section == "Heading":
            heading |= _pairs(text)
        elif section == "Column":
            columns = columns or [name.strip() for name in text.split("\t")]
        elif section == "Data":
            rows.append((number, text))
    if heading.get("FIELD_DELIM", "TABS").upper() != "TABS":
        what = f"its fields are separated by {heading['FIELD_DELIM']}, not by tabs"
        raise RequestError(what, remedy="export it with tabs")
    if not columns:
        raise RequestError("no line of column names", remedy="export the log again")
    reader = _Rows(columns, rate or timecode.rate(heading.get("FPS", "")), rate is not None)
    events = [event for number, text in rows if (event := reader.event(number, text))]
    return Timeline(events=tuple(events), remarks=tuple(reader.remarks))


def _sections(lines: list[str]) -> Iterator[tuple[int, str, str]]:
    """Lines with their sections, which follow each other in one order."""
    at = -1
    for number, text in enumerate(lines, 1):
        word, _, rest = text.strip().partition("\t")
        if " " in word and at < 0:  # a heading on one line, separated by spaces
            word, _, rest = text.strip().partition(" ")
        name = word.strip().capitalize()
        if name in _SECTIONS and _SECTIONS.index(name) > at:
            at = _SECTIONS.index(name)
            text = rest
        if text.strip() and at >= 0:
            yield number, _SECTIONS[at], text


def _pairs(text: str) -> dict[str, str]:
    """Keys and values of a line of the heading."""
    cells = [cell.strip() for cell in text.split("\t") if cell.strip()]
    if len(cells) == 1:
        cells = text.split(maxsplit=1) if len(text.split()) < 4 else text.split()
    return {key.upper(): value for key, value in zip(cells[::2], cells[1::2], strict=False)}


class _Rows:
    def __init__(self, columns: list[str], rate: Fraction | None, forced: bool) -> None:
        self.columns = columns
        self.rate = rate
        self.forced = forced
        self.remarks: list[Remark] = []
        self.count = 0

    def event(self, line: int, text: str) -> Event | None:
        self.count += 1
        number = f"{self.count:03d}"
        cells = [cell.strip() for cell in text.split("\t")]
        row = {name: cell for name, cell in zip(self.columns, cells, strict=False) if cell}

        def report(what: str, *, severity: str = "warn") -> None:
            remark = {"severity": severity, "what": what, "line": line, "event": number}
            self.remarks.append(Remark.model_validate(remark))

        if any(cells[len(self.columns) :]):
            report(f"has {len(cells)} cells under {len(self.columns)} columns")
        if row.get("Tracks") and "V" not in row["Tracks"].upper():
            report(f"sound only ({row['Tracks']}): no plate", severity="note")
            return None
        own = None if self.forced else timecode.rate(row.get("FPS", ""))
        rate = own or self.rate
        span = self.span(row, rate)
        if isinstance(span, str):
            report(span, severity="fail")
            return None
        start, end, odd = span
        if odd:
            report(odd)
        cdl, why = _cdl(row)
        if why:
            report(f"its ASC CDL is not kept: {why}")
        return Event(
            number=number,
            place=self.count,
            line=line,
            track=row.get("Tracks", ""),
            reel=next((row[name] for name in _REELS if name in row), ""),
            clip=row.get("Name", ""),
            files=tuple(row[name] for name in _CLIPS[1:] if name in row),
            clips=tuple(dict.fromkeys(name_of_path(row[name]) for name in _CLIPS if name in row)),
            start=start,
            end=end,
            rate=rate,
            cdl=cdl,
        )

    def span(self, row: Mapping[str, str], rate: Fraction | None) -> tuple[str, str, str] | str:
        """Start, end, and what contradicts them; or why there are none."""
        start, end, length = (row.get(name, "") for name in ("Start", "End", "Duration"))
        for text in filter(None, (start, end, length)):
            if not re.fullmatch(LABEL, text):
                return f"'{text:.40}' is not a timecode"
        if not start or not (end or length):
            return "no Start with an End or a Duration"
        first = None if rate is None else timecode.count(start, round(rate))
        frames = None if rate is None or not length else _length(length, round(rate))
        if end:
            last = None if rate is None else timecode.count(end, round(rate))
            differs = None not in (first, last, frames) and last != first + frames  # type: ignore[operator]
            odd = f"Duration {length} differs from Start to End; Start to End is used"
            return start, end, odd if differs else ""
        if rate is None:
            return "a Duration, but no rate; give it with --rate"
        if first is None or frames is None:
            return f"{start} for {length} does not exist at {rate} frames a second"
        return start, timecode.label(first + frames, round(rate), drop=";" in start), ""


def _length(text: str, nominal: int) -> int | None:
    """Frames of a duration, which counts labels of every frame, drop-frame or not."""
    return timecode.count(text.replace(";", ":"), nominal)


def _cdl(row: Mapping[str, str]) -> tuple[CdlDocument | None, str]:
    whole = numbers_in(row.get("CDL", ""))
    sop = numbers_in(row["ASC_SOP"]) if "ASC_SOP" in row else whole[:9]
    saturation = numbers_in(row.get("ASC_SAT", "")) or whole[9:10]
    if not sop and not saturation:
        return None, ""
    return cdl_of(sop or None, next(iter(saturation), None))

"""ALE, a log of clips as a table with tabs: one row an event, told by its line where it is bad.

Three sections: ``Heading`` (with ``FPS``), ``Column`` (one line of names), ``Data`` (a row a clip).
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
        rate: Frames a second, over what the heading says.

    Raises:
        RequestError: It has no table, or is not parted by tabs.
    """
    columns: list[str] = []
    rows: list[tuple[int, str]] = []
    heading: dict[str, str] = {}
    for number, section, text in _sections(lines):
        if section == "Heading":
            key, _, value = text.partition("\t")
            heading[key.strip().upper()] = value.strip()
        elif section == "Column":
            columns = columns or [name.strip() for name in text.split("\t")]
        elif section == "Data":
            rows.append((number, text))
    if heading.get("FIELD_DELIM", "TABS").upper() != "TABS":
        raise RequestError(f"its fields are parted by {heading['FIELD_DELIM']}, not by tabs")
    if not columns:
        raise RequestError("it has no line of column names", remedy="export the log anew")
    told = rate or timecode.rate(heading.get("FPS", ""))
    reader = _Rows(columns, told)
    events = [event for number, text in rows if (event := reader.event(number, text))]
    return Timeline(events=tuple(events), remarks=tuple(reader.remarks))


def _sections(lines: list[str]) -> Iterator[tuple[int, str, str]]:
    section = ""
    for number, text in enumerate(lines, 1):
        if text.strip() in _SECTIONS:
            section = text.strip()
        elif text.strip():
            yield number, section, text


class _Rows:
    def __init__(self, columns: list[str], rate: Fraction | None) -> None:
        self.columns = columns
        self.rate = rate
        self.remarks: list[Remark] = []
        self.count = 0

    def event(self, line: int, text: str) -> Event | None:
        self.count += 1
        number = f"{self.count:03d}"
        cells = [cell.strip() for cell in text.split("\t")]
        row = {name: cell for name, cell in zip(self.columns, cells, strict=False) if cell}

        def say(what: str, *, fatal: bool = False) -> None:
            severity = "fail" if fatal else "warn"
            remark = {"severity": severity, "what": what, "line": line, "event": number}
            self.remarks.append(Remark.model_validate(remark))

        if any(cells[len(self.columns) :]):
            say(f"has {len(cells)} cells under {len(self.columns)} columns")
        rate = timecode.rate(row.get("FPS", "")) or self.rate
        span = self.span(row, rate)
        if isinstance(span, str):
            say(span, fatal=True)
            return None
        start, end, odd = span
        if odd:
            say(odd)
        cdl, why = _cdl(row)
        if why:
            say(f"its ASC CDL is not passed on: {why}")
        return Event(
            number=number,
            line=line,
            track=row.get("Tracks", ""),
            reel=next((row[name] for name in _REELS if name in row), ""),
            clips=tuple(dict.fromkeys(name_of_path(row[name]) for name in _CLIPS if name in row)),
            start=start,
            end=end,
            rate=rate,
            cdl=cdl,
        )

    def span(self, row: Mapping[str, str], rate: Fraction | None) -> tuple[str, str, str] | str:
        """Start, end, and what does not fit between them; or why there are none."""
        start, end, length = (row.get(name, "") for name in ("Start", "End", "Duration"))
        for text in filter(None, (start, end, length)):
            if not re.fullmatch(LABEL, text):
                return f"'{text:.40}' is no timecode"
        if not start or not (end or length):
            return "tells no Start with an End or a Duration"
        first = None if rate is None else timecode.count(start, round(rate))
        frames = None if rate is None or not length else _length(length, round(rate))
        if end:
            last = None if rate is None else timecode.count(end, round(rate))
            differs = None not in (first, last, frames) and last != first + frames  # type: ignore[operator]
            odd = f"Duration {length} is not from Start to End; taken is what stands between them"
            return start, end, odd if differs else ""
        if rate is None:
            return "tells a Duration and nobody the rate; say it with --rate"
        if first is None or frames is None:
            return f"{start} for {length} does not exist at {rate} frames a second"
        return start, timecode.label(first + frames, round(rate), drop=";" in start), ""


def _length(text: str, nominal: int) -> int | None:
    """Frames of a duration; one is counted in labels of every frame, drop-frame or not."""
    return timecode.count(text.replace(";", ":"), nominal)


def _cdl(row: Mapping[str, str]) -> tuple[CdlDocument | None, str]:
    whole = numbers_in(row.get("CDL", ""))
    sop = numbers_in(row["ASC_SOP"]) if "ASC_SOP" in row else whole[:9]
    saturation = numbers_in(row.get("ASC_SAT", "")) or whole[9:10]
    if not sop and not saturation:
        return None, ""
    return cdl_of(sop or None, next(iter(saturation), None))

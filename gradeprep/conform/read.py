"""Timelines in all forms that are read: OpenTimelineIO, CMX3600 edit decision list, ALE."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from gradeprep.conform import ale, cmx
from gradeprep.conform.timeline import Timeline
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.plates.regular import asked_for

__all__ = ["KINDS", "read_timeline"]

KINDS = {".otio": "OpenTimelineIO", ".edl": "CMX3600", ".ale": "ALE"}
"""Forms that are read, by file extension."""

_MAX_BYTES = 64 * 2**20
_LINE_END = re.compile(r"\r\n|\n|\r")  # splitlines would split at form feeds and count wrong


def read_timeline(path: Path, rate: Fraction | None = None) -> Timeline:
    """Read a timeline; faults of single lines are in its remarks.

    Args:
        path: The file; its extension is its form.
        rate: Frames a second, over those of the timeline and of the plates' headers.

    Raises:
        RequestError: It cannot be read, has another form, or holds no event.
    """
    kind = KINDS.get(path.suffix.lower())
    if kind is None:
        raise RequestError(
            f"'{path.suffix}' is not a timeline", file=path, remedy=f"give an {_listed()}"
        )
    try:
        raw = asked_for(path, _MAX_BYTES, missing="no such timeline")
        timeline = _read(kind, _decoded(raw), rate)
    except GradeprepError as error:
        raise error.at(file=path) from error
    if not (timeline.events or timeline.others or timeline.remarks):
        raise RequestError(f"no event of a {kind} timeline in it", file=path)
    if rate is None:
        return timeline
    events, others = (
        tuple(replace(event, rate=rate, forced=True) for event in some)
        for some in (timeline.events, timeline.others)
    )
    return replace(timeline, events=events, others=others)


def _read(kind: str, text: str, rate: Fraction | None) -> Timeline:
    if kind != "OpenTimelineIO":
        lines = _LINE_END.split(text)
        return cmx.read(lines, rate) if kind == "CMX3600" else ale.read(lines, rate)
    try:
        from gradeprep.conform import otiofile
    except ImportError as error:
        raise RequestError(
            f"OpenTimelineIO is not installed ({error.name})",
            remedy="pip install 'gradeprep[conform]'",
        ) from error
    timeline: Timeline = otiofile.read(text)
    return timeline


def _decoded(raw: bytes) -> str:
    """Text of a file; bytes that are not UTF-8 are read as Latin-1."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _listed() -> str:
    return ", ".join(f"{kind} file (*{suffix})" for suffix, kind in KINDS.items())

"""Events as a recipe carries them: plain text, so that a hand-over writes back what came in."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from gradeprep.conform.timeline import Event, Point
from gradeprep.model.documents.conform import EventDocument, Marker, Transition, Unplaced
from gradeprep.model.framerange import FrameRange

__all__ = ["LIMIT", "oversized", "placed", "printable", "unplaced"]

LIMIT = 4096
"""Characters of an event's metadata, as JSON, that a recipe carries."""


def placed(
    event: Event,
    *,
    rate: Fraction,
    first: int,
    frames: FrameRange,
    handles: tuple[int, int],
    found: str,
) -> EventDocument:
    """An event with its frames on a plate.

    Args:
        event: The event.
        rate: Frames a second.
        first: Frame number of its first label.
        frames: Frames that it uses, without handles.
        handles: Frames on disk before and after them.
        found: What identified the plate.
    """
    return EventDocument.model_validate(
        {
            **_listed(event),
            "rate": str(rate),
            "first": first,
            "frames": str(frames),
            "handles": handles,
            "found": found,
        }
    )


def unplaced(event: Event, why: str) -> Unplaced:
    """An event without a plate, and why it has none."""
    rate = None if event.rate is None else str(event.rate)
    return Unplaced.model_validate({**_listed(event), "why": why, "rate": rate})


def oversized(event: Event) -> bool:
    """Whether an event has more metadata than a recipe carries."""
    return bool(event.metadata) and len(json.dumps(event.metadata)) > LIMIT


def _listed(event: Event) -> dict[str, Any]:
    record = None if event.record is None else tuple(map(_point, event.record))
    return {
        "event": event.number,
        "line": event.line,
        "reel": printable(event.reel),
        "column": printable(event.column),
        "clip": printable(event.clip or next(iter(event.clips), "")),
        "files": tuple(map(printable, event.files)),
        "track": printable(event.track),
        "lane": event.lane,
        "source": (_point(event.start), _point(event.end)),
        "record": record,
        "drop": event.drop_labels,
        "speed": None if event.m2 is None else str(event.m2),
        "lead": event.lead,
        "tail": event.tail,
        "enters": _transition(event.enters),
        "leaves": _transition(event.leaves),
        "effects": tuple(map(printable, event.effects)),
        "markers": tuple(map(_marker, event.markers)),
        "notes": tuple(map(printable, event.notes)),
        "metadata": {} if oversized(event) else _cleaned(event.metadata),
        "cdl": event.cdl,
    }


def _point(point: Point) -> str:
    return str(point)


def _transition(one: Transition | None) -> Transition | None:
    if one is None:
        return None
    fits = len(json.dumps(dict(one.metadata))) <= LIMIT
    metadata = _cleaned(one.metadata) if fits else {}
    return one.model_copy(
        update={"kind": printable(one.kind), "name": printable(one.name), "metadata": metadata}
    )


def _marker(one: Marker) -> Marker:
    fits = len(json.dumps(dict(one.metadata))) <= LIMIT
    metadata = _cleaned(one.metadata) if fits else {}
    return one.model_copy(
        update={"name": printable(one.name), "colour": printable(one.colour), "metadata": metadata}
    )


def _cleaned(value: Any) -> Any:
    if isinstance(value, dict):
        return {printable(key): _cleaned(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_cleaned(item) for item in value]
    return printable(value) if isinstance(value, str) else value


def printable(text: str) -> str:
    """Without the control characters that no recipe can hold."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)

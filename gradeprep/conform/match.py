"""Which plate an event means: by reel, then by clip or file name, then by timecode; never a guess.

A reel is compared whole. Lists cut reels to eight characters; a reel of eight that begins the
reels of other plates finds one of them only where a name or the timecode leaves one, and says so.
Timecode alone finds no plate whose header tells of another reel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gradeprep.conform.library import Plate, names_of
from gradeprep.conform.span import Span, present, span_at
from gradeprep.conform.timeline import Event
from gradeprep.model.documents.conform import Remark

__all__ = ["Match", "match"]

_CUT = 8  # characters that the format leaves of a reel
_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Match:
    """A plate, what it was found by, and what must be said about that."""

    plate: Plate
    by: str
    remarks: tuple[Remark, ...] = ()


def match(event: Event, plates: Sequence[Plate]) -> Match | Remark:
    """The plate of an event, or why there is none or more than one."""
    pool, by = _pool(event, plates)
    if not pool:
        return event.remark("fail", f"no plate: {_sought(event)}", "name the folder it is in")
    pool, narrowed = _narrowed(event, pool)
    if len(pool) > 1:
        return event.remark("fail", _ambiguous(event, pool, by), "rename or part them")
    remarks = []
    if by == "cut reel":
        what = f"reel '{event.reel}' is cut: taken for {_reel(pool[0], event)}"
        remarks.append(event.remark("warn", what, "compare the picture"))
    if by == "timecode":
        what = f"found by its timecode alone: {pool[0]}"
        remarks.append(event.remark("warn", what, "compare the picture"))
    return Match(pool[0], " and ".join([by, *narrowed]), tuple(remarks))


def _pool(event: Event, plates: Sequence[Plate]) -> tuple[list[Plate], str]:
    """Plates that the strongest sign leaves, and which sign it is."""
    reels = names_of(event.reel)
    whole = event.reel.strip().casefold()
    names = frozenset(name for clip in event.clips for name in names_of(clip))
    signs: list[tuple[str, Callable[[Plate], bool]]] = [
        ("reel", lambda plate: bool(reels & plate.reels)),
        ("reel", lambda plate: bool(reels & plate.names)),
        ("name", lambda plate: bool(names & (plate.names | plate.reels))),
        ("cut reel", lambda plate: len(whole) == _CUT and bool(_longer(whole, plate))),
        ("timecode", lambda plate: not (reels and plate.reels) and _covers(event, plate)),
    ]
    for by, fits in signs:
        found = [plate for plate in plates if fits(plate)]
        if found:
            return found, by
    return [], ""


def _narrowed(event: Event, pool: list[Plate]) -> tuple[list[Plate], list[str]]:
    """What the weaker signs leave of several plates, and which of them decided."""
    names = [names_of(clip) for clip in event.clips]
    finer: list[tuple[str, Callable[[Plate], bool]]] = [
        *(("name", lambda plate, own=own: bool(own & plate.own)) for own in names),
        *(("name", lambda plate, own=own: bool(own & plate.names)) for own in names),
        ("timecode", lambda plate: _covers(event, plate)),
        ("not pulled before", lambda plate: plate.first.pulled is None),
    ]
    used: list[str] = []
    for by, fits in finer:
        left = [plate for plate in pool if fits(plate)] if len(pool) > 1 else []
        if 0 < len(left) < len(pool):
            pool = left
            used += [] if by in used else [by]
    return pool, used


def _covers(event: Event, plate: Plate) -> bool:
    span = span_at(event, plate)
    return isinstance(span, Span) and bool(present(span, plate, handles=0)[0])


def _longer(reel: str, plate: Plate) -> list[str]:
    """Its reels and names that begin with a reel and go on."""
    return sorted(
        name for name in plate.reels | plate.names if name.startswith(reel) and name != reel
    )


def _reel(plate: Plate, event: Event) -> str:
    return next(iter(plate.first.reels), "") or _longer(event.reel.casefold(), plate)[0]


def _sought(event: Event) -> str:
    told = [f"reel '{event.reel}'"] if event.reel else []
    told += [f"name '{clip}'" for clip in event.clips]
    told += [f"timecode {event.start}"] if isinstance(event.start, str) else []
    return f"nothing has {', '.join(told)}" if told else "the event names nothing to look for"


def _ambiguous(event: Event, pool: list[Plate], by: str) -> str:
    shown = ", ".join(str(plate.files.pattern) for plate in pool[:_SHOWN])
    shown += f" and {len(pool) - _SHOWN} more" if len(pool) > _SHOWN else ""
    if by == "cut reel":
        return f"reel '{event.reel}' is the first eight characters of several: {shown}"
    sign = f"reel '{event.reel}'" if by == "reel" else f"{by} '{event.name}'"
    return f"{sign} is more than one plate: {shown}"

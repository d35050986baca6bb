"""The plate of an event: by reel and name, narrowed by timecode; a contradiction is an error.

A reel or name that an event gives must fit the plate. Reels are compared whole; a list may also
give the roll alone, or the first eight characters that its format keeps. Names are compared whole;
a list may add an editorial suffix or leave out a version. Whatever is not an exact match is
reported.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from gradeprep.conform.library import Library, Plate, matches
from gradeprep.conform.names import folded, names_of, stems_of, unversioned
from gradeprep.conform.span import Span, present, span_at
from gradeprep.conform.timeline import Event
from gradeprep.model.documents.conform import Remark

__all__ = ["Choice", "Finder", "Match"]

_CUT = 8  # characters that an edit decision list keeps of a reel
_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Choice:
    """How to choose among plates.

    Attributes:
        by_timecode: Accept a plate whose timecode fits though its name or reel differs.
        latest: Of several versions take the latest.
        prefer: Shell patterns; of several plates take those that fit, the first pattern first.
    """

    by_timecode: bool = False
    latest: bool = False
    prefer: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Match:
    """A plate, what identified it, and what must be reported about that."""

    plate: Plate
    by: str
    remarks: tuple[Remark, ...] = ()

    @property
    def named(self) -> bool:
        """Whether a reel or name identified it."""
        return self.by != "timecode"


Signs = dict[str, list[Plate]]
"""Plates by what identifies them, the strongest sign first."""


@dataclass(frozen=True, slots=True)
class Finder:
    """Finds plates of events.

    Attributes:
        library: The plates.
        choice: How to choose among them.
        reels: Forms of every reel in the timeline; a folder of such a name is a reel's.
    """

    library: Library
    choice: Choice = Choice()
    reels: frozenset[str] = frozenset()

    def find(self, event: Event, owned: Collection[int] | None = None) -> Match | Remark | None:
        """The plate of an event, or why there is none or more than one.

        Args:
            event: The event.
            owned: ``id`` of each plate that another event identifies by reel or name; timecode
                alone never finds one of these. None before they are known: an event that only
                timecode can place returns None then.
        """
        reels, names = _by_reel(event, self.library), _by_name(event, self.library, self.choice)
        if pool := self._agreed(event, reels, names):
            return _chosen(event, pool, reels, names, self.choice)
        if (event.reel or event.clips) and not self.choice.by_timecode:
            return event.remark("fail", *_missed(event, reels, names))
        if owned is None:
            return None
        found = _some(reels) or _some(names) or list(self.library.plates)
        pool = [plate for plate in found if id(plate) not in owned and _covers(event, plate)]
        if not pool:
            what = f"no plate: none that is free has {_sought(event)}"
            return event.remark("fail", what, "add the folder that holds it")
        left, _ = _narrowed(event, pool, reels, self.choice)
        if len(left) > 1:
            return event.remark("fail", *_ambiguous(event, left, ""))
        what = f"identified by timecode alone: {left[0]}"
        if event.reel or event.clips:
            what = f"{_missed(event, reels, names)[0]}; {what}"
        return Match(left[0], "timecode", (event.remark("warn", what, "compare the picture"),))

    def _agreed(self, event: Event, reels: Signs, names: Signs) -> list[Plate]:
        """Plates that fit all that an event gives."""
        by_reel, by_name = _some(reels), _some(names)
        if not (event.reel and event.clips):
            return by_reel or by_name
        fits = {id(plate) for plate in by_reel}
        both = [plate for plate in by_name if id(plate) in fits]
        if both or by_reel:
            return both
        return [plate for plate in by_name if not (plate.states_reel or plate.above & self.reels)]


def _by_reel(event: Event, library: Library) -> Signs:
    if not event.reel:
        return {}
    forms = names_of(event.reel)
    whole = folded(event.reel)
    return {
        "reel": library.reels.of(forms),
        "reel of its path": _unique([*library.own.of(forms), *library.above.of(forms)]),
        "roll": library.rolls.of([whole]),
        "cut reel": library.cut.of([whole]) if len(whole) == _CUT else [],
    }


def _by_name(event: Event, library: Library, choice: Choice) -> Signs:
    forms = [form for clip in event.clips for form in names_of(clip)]
    exact = _unique([*library.own.of(forms), *library.reels.of(forms)])
    signs = {"name": exact, "folder name": library.above.of(forms)}
    if not _some(signs):
        signs["name without suffix"] = _stem(event, library)
    if not _some(signs):
        bare = [unversioned(form) for form in forms] if choice.latest else forms
        signs["name without version"] = library.unversioned.of(bare)
    return signs


def _stem(event: Event, library: Library) -> list[Plate]:
    """Plates of the longest part of a name that any plate has, without editorial suffixes."""
    for clip in event.clips:
        for stem in stems_of(clip):
            if found := library.own.of([stem]) or library.reels.of([stem]):
                return found
    return []


def _some(signs: Signs) -> list[Plate]:
    return _unique(plate for plates in signs.values() for plate in plates)


def _unique(plates: Iterable[Plate]) -> list[Plate]:
    return list({id(plate): plate for plate in plates}.values())


def _missed(event: Event, reels: Signs, names: Signs) -> tuple[str, str]:
    by_reel, by_name = _some(reels), _some(names)
    allow = "correct the list, or use --by-timecode"
    if by_reel and by_name:
        what = f"reel '{event.reel}' is {_listed(by_reel)}, name '{event.name}' {_listed(by_name)}"
        return what, allow
    if by_reel:
        what = f"reel '{event.reel}' is {_listed(by_reel)}, but no plate has the name"
        return f"{what} '{event.name}'", allow
    if by_name:
        stated = next((f"of reel '{reel}'" for reel in by_name[0].first.reels), "of another reel")
        what = f"name '{event.name}' is {_listed(by_name[:1])} {stated}"
        return f"{what}, not '{event.reel}'", allow
    return f"no plate has {_sought(event)}", "add the folder that holds it"


def _chosen(
    event: Event, pool: list[Plate], reels: Signs, names: Signs, choice: Choice
) -> Match | Remark:
    left, used = _narrowed(event, pool, reels, choice)
    by_reel, by_name = _sign(reels, left[0]), _sign(names, left[0])
    if len(left) > 1:
        return event.remark("fail", *_ambiguous(event, left, by_reel))
    if by_reel and by_name and len(pool) < len(_some(reels)):
        used = ["name", *used]
    by = " and ".join(dict.fromkeys([by_reel or by_name, *used]))
    return Match(left[0], by, tuple(_reports(event, left[0], by_reel, by_name)))


def _narrowed(
    event: Event, pool: list[Plate], reels: Signs, choice: Choice
) -> tuple[list[Plate], list[str]]:
    """What weaker signs leave of several plates, and those that decided."""
    steps: list[tuple[str, Callable[[list[Plate]], list[Plate]]]] = [
        *(("name", _with(forms, "own")) for forms in map(names_of, event.clips)),
        *(("name", _with(forms, "above")) for forms in map(names_of, event.clips)),
        *((sign, _among(plates)) for sign, plates in reels.items()),
        ("timecode", lambda left: [plate for plate in left if _covers(event, plate)]),
        ("not pulled before", lambda left: [p for p in left if p.first.pulled is None]),
        *(("preference", _preferred(pattern)) for pattern in choice.prefer),
        *([("latest version", _latest)] if choice.latest else []),
    ]
    used: list[str] = []
    for name, fits in steps:
        left = fits(pool) if len(pool) > 1 else pool
        if 0 < len(left) < len(pool):
            pool = left
            used += [] if name in used else [name]
    return pool, used


def _sign(signs: Signs, plate: Plate) -> str:
    """The strongest sign of a plate; empty without one."""
    return next((name for name, found in signs.items() if any(p is plate for p in found)), "")


def _with(forms: frozenset[str], attribute: str) -> Callable[[list[Plate]], list[Plate]]:
    return lambda pool: [plate for plate in pool if forms & getattr(plate, attribute)]


def _among(plates: list[Plate]) -> Callable[[list[Plate]], list[Plate]]:
    known = {id(plate) for plate in plates}
    return lambda pool: [plate for plate in pool if id(plate) in known]


def _preferred(pattern: str) -> Callable[[list[Plate]], list[Plate]]:
    return lambda pool: [plate for plate in pool if matches(plate, pattern)]


def _latest(pool: list[Plate]) -> list[Plate]:
    """The latest version of each plate; plates are alike whose paths differ in versions alone."""
    newest: dict[str, Plate] = {}
    for plate in pool:
        key = unversioned(plate.path)
        if key not in newest or plate.version > newest[key].version:
            newest[key] = plate
    return list(newest.values())


def _covers(event: Event, plate: Plate) -> bool:
    span = span_at(event, plate)
    return isinstance(span, Span) and bool(present(span, plate, handles=0)[0])


def _reports(event: Event, plate: Plate, by_reel: str, by_name: str) -> Iterator[Remark]:
    look = "compare the picture"
    if by_reel == "cut reel":
        longer = next(iter(plate.first.reels), plate.files.pattern.head.rstrip("._- "))
        what = f"reel '{event.reel}' has eight characters: taken for {longer}"
        yield event.remark("warn", what, look)
    elif by_reel == "roll":
        yield event.remark("note", f"reel '{event.reel}' is the roll of {plate}")
    elif by_reel == "reel of its path" and plate.states_reel:
        stated = ", ".join(plate.first.reels)
        what = f"reel '{event.reel}' is in the path of {plate}; its header has '{stated}'"
        yield event.remark("warn", what, look)
    if by_name == "name without suffix":
        yield event.remark("note", f"name '{event.name}' has a suffix: taken for {plate}")
    elif by_name == "name without version":
        yield event.remark("note", f"name '{event.name}' without version: taken for {plate}")


def _sought(event: Event) -> str:
    parts = [f"reel '{event.reel}'"] if event.reel else []
    parts += [f"name '{clip}'" for clip in event.clips]
    parts += [] if event.reel or event.clips else [f"timecode {event.start}"]
    return " or ".join(parts)


def _listed(plates: Sequence[Plate]) -> str:
    more = f" and {len(plates) - _SHOWN} more" if len(plates) > _SHOWN else ""
    return ", ".join(plate.below for plate in plates[:_SHOWN]) + more


def _ambiguous(event: Event, pool: list[Plate], by_reel: str) -> tuple[str, str]:
    remedy = "choose with --latest, --prefer or --exclude"
    shown = _listed(pool)
    if by_reel == "cut reel":
        return f"reel '{event.reel}' is the first eight characters of several: {shown}", remedy
    sign = f"reel '{event.reel}'" if by_reel else f"name '{event.name}'"
    sign = sign if event.reel or event.clips else f"timecode {event.start}"
    return f"{sign} is more than one plate: {shown}", remedy

"""A recipe that follows a changed cut: frames and events change, decisions stay as written.

Stages, overrides and comments of a shot keep their bytes. A shot that left the cut is parked: each
of its lines becomes a comment, and a later update restores it. The result is parsed and compared
with what it must mean before it is returned.
"""

from __future__ import annotations

import copy
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gradeprep.conform import park
from gradeprep.conform.gather import Gathered, Use
from gradeprep.conform.names import folded
from gradeprep.conform.recipe import Source, carried_data, heading, shot_lines
from gradeprep.conform.shottext import appended, reconformed
from gradeprep.errors import RequestError
from gradeprep.model.documents.conform import Recut, Remark
from gradeprep.model.framerange import FrameRange
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.yamledit import Edit, applied, says
from gradeprep.pipeline.yamltree import places_of
from gradeprep.plates.sequence import Pattern

__all__ = ["Updated", "update"]

_HEADING = re.compile(r"# \d+ events? of [^\r\n]* in \d+ shots?\.")
_OURS = ("timeline", "title", "events", "others")


@dataclass(frozen=True, slots=True)
class Updated:
    """A recipe's text after an update.

    Attributes:
        text: The text.
        gathered: The shots under the names that the recipe has for them.
        recut: What changed.
        remarks: Findings.
    """

    text: str
    gathered: Gathered
    recut: Recut
    remarks: tuple[Remark, ...]


def update(text: str, gathered: Gathered, source: Source) -> Updated:
    """Bring the text of a recipe up to date with a timeline.

    Args:
        text: The recipe.
        gathered: Shots and the events that use them.
        source: Where they come from; its decisions are for new shots only.

    Raises:
        RecipeError: The text is not YAML.
        RequestError: Its shots are not written line by line, or a shot that leaves holds an anchor
            that others use.
    """
    text = _restored(text, gathered, source)
    data = _parsed(text)
    pairs = _pairs(data["shots"], gathered, source)
    names = {id(use): name for name, use in pairs.items()}
    unused = [name for name, shot in data["shots"].items() if name not in pairs]
    lost = [name for name in unused if _lost(data["shots"][name], gathered)]
    left = [name for name in unused if name not in lost and _conformed(data["shots"][name])]
    new = dict(_named(gathered, names, data["shots"]))

    wanted = copy.deepcopy(data)
    tree = places_of(text)
    found = tree.item("shots")
    assert found is not None
    if found[1].flow:
        raise RequestError("its shots are in braces", remedy="write one a line, as conform does")
    edits: list[Edit] = []
    if first := _HEADING.match(text):
        edits.append(Edit(first.start(), first.end(), heading(gathered, source)))
    for name, use in pairs.items():
        shot = wanted["shots"][name]
        if "frames" in shot:
            shot["frames"] = str(use.frames)
        carried = shot.get("carried", {})
        fresh = carried_data(use, source)
        shot["carried"] = {**{k: v for k, v in carried.items() if k not in _OURS}, **fresh}
        place = found[1].item(name)
        assert place is not None
        edits += reconformed(text, place, use, source, shot)
    for name in left:
        edits.append(park.parked(text, found[1], name, source.timeline.name))
        del wanted["shots"][name]
    lines: list[str] = []
    for name, use in new.items():
        stops = source.decisions.everywhere or source.decisions.shots.get(name)
        own = list(shot_lines(name, use, source, stops))
        wanted["shots"] |= parse_yaml("\n".join(own))[0]
        lines += own
    edits += appended(text, found[1], lines)
    changed = applied(text, edits)
    if not says(changed, wanted):
        remedy = "write out anchors that several shots share, then update again"
        raise RequestError("an update would change decisions", remedy=remedy)
    shots = {**{name: pairs[name] for name in data["shots"] if name in pairs}, **new}
    return Updated(
        changed,
        replace(gathered, shots=shots),
        _recut(data["shots"], pairs, new, left),
        (*_spaces(data, source), *map(_keeps, lost), *_orphans(wanted["shots"], left)),
    )


def _parsed(text: str) -> Any:
    data, _ = parse_yaml(text)
    shots = data.get("shots") if isinstance(data, dict) else None
    if not isinstance(shots, dict) or not all(isinstance(shot, dict) for shot in shots.values()):
        raise RequestError("it is not a recipe: it has no shots")
    for name, shot in shots.items():
        if not isinstance(shot.get("carried", {}), dict):
            raise RequestError("is not a mapping", shot=str(name), key="carried")
    return data


def _conformed(shot: Mapping[str, Any]) -> bool:
    """Whether a shot comes from a timeline; an update removes no other."""
    return bool(_events(shot))


def _events(shot: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    events = shot.get("carried", {}).get("events")
    return [one for one in events if isinstance(one, dict)] if isinstance(events, list) else []


def _lost(shot: Mapping[str, Any], gathered: Gathered) -> bool:
    """Whether an event of a shot is still in the timeline, but finds no plate."""
    events = {(str(one.get("reel", "")), str(one.get("clip", ""))) for one in _events(shot)}
    return any(
        one.why == "no plate" and (one.reel, one.clip) in events for one in gathered.unplaced
    )


def _keeps(name: str) -> Remark:
    what = f"shot '{name}' is in the timeline, but its plate is not found: left as it is"
    return Remark(severity="warn", what=what)


def _plate_of(shot: Mapping[str, Any], folder: Path) -> str:
    """A shot's plate as one comparable text; empty without one of its own."""
    plate = shot.get("plate")
    return _comparable(folder / plate) if isinstance(plate, str) and plate else ""


def _comparable(path: Path) -> str:
    pattern = Pattern.parse(Path(os.path.abspath(path)))  # noqa: PTH100  # resolve follows links
    return folded(str(pattern))


def _pairs(shots: Mapping[str, Any], gathered: Gathered, source: Source) -> dict[str, Use]:
    """Shots of the recipe with what the timeline uses of their plates.

    Several shots of one plate (a shot for each event) pair by name, then by shared frames.
    """
    plates: dict[str, list[str]] = {}
    for name, shot in shots.items():
        if plate := _plate_of(shot, source.folder):
            plates.setdefault(plate, []).append(name)
    pairs: dict[str, Use] = {}
    for wanted, use in gathered.shots.items():
        free = [
            name
            for name in plates.get(_comparable(Path(str(use.plate.files.pattern))), ())
            if name not in pairs
        ]
        if free:
            pairs[max(free, key=lambda name: _likeness(name, shots[name], wanted, use))] = use
    return pairs


def _likeness(name: str, shot: Mapping[str, Any], wanted: str, use: Use) -> tuple[int, bool]:
    return len(_frames(shot) & use.frames), name == wanted


def _frames(shot: Mapping[str, Any]) -> FrameRange:
    try:
        return FrameRange.parse(str(shot.get("frames", "")))
    except ValueError:
        return FrameRange()


def _named(
    gathered: Gathered, names: Mapping[int, str], shots: Mapping[str, Any]
) -> Iterator[tuple[str, Use]]:
    """New shots, under names that the recipe has not."""
    taken = {name.casefold() for name in shots}
    for wanted, use in gathered.shots.items():
        if id(use) in names:
            continue
        name = next(
            one
            for one in (wanted, *(f"{wanted}_{index}" for index in range(2, len(taken) + 3)))
            if one.casefold() not in taken
        )
        taken.add(name.casefold())
        yield name, use


def _restored(text: str, gathered: Gathered, source: Source) -> str:
    """The text with parked shots restored whose plates are in the timeline again."""
    plates = {_comparable(Path(str(use.plate.files.pattern))) for use in gathered.shots.values()}
    for block in reversed(park.blocks(text)):
        shots, _ = parse_yaml(block.shot)
        own = list(shots.values()) if isinstance(shots, dict) else []
        if any(isinstance(it, dict) and _plate_of(it, source.folder) in plates for it in own):
            text = text[: block.start] + block.shot + text[block.end :]
    return text


def _spaces(data: Mapping[str, Any], source: Source) -> Iterator[Remark]:
    """A colour space that differs from the recipe's, which an update leaves as it is."""
    defaults = data.get("defaults")
    space = defaults.get("space") if isinstance(defaults, dict) else None
    if source.space and source.space != space:
        what = f"--space {source.space} is for a new recipe; this one has {space or 'none'}"
        yield Remark(severity="warn", what=what, remedy="set `space:` in the recipe")


def _recut(
    shots: Mapping[str, Any], pairs: Mapping[str, Use], new: Mapping[str, Use], left: list[str]
) -> Recut:
    before = {name: _frames(shots[name]) for name in pairs if "frames" in shots[name]}
    grew = {name: pairs[name].frames - frames for name, frames in before.items()}
    shrank = {name: frames - pairs[name].frames for name, frames in before.items()}
    return Recut(
        came=tuple(new),
        left=tuple(left),
        grew={name: str(frames) for name, frames in grew.items() if frames},
        shrank={name: str(frames) for name, frames in shrank.items() if frames},
        kept=tuple(name for name in pairs if not (grew.get(name) or shrank.get(name))),
    )


def _orphans(shots: Mapping[str, Any], left: list[str]) -> Iterator[Remark]:
    """Shots that refer to a parked one."""
    for name, shot in shots.items():
        found = [one for one in left if _refers(shot.get("stages"), one)]
        if found:
            what = f"shot '{name}' refers to the parked '{', '.join(found)}'"
            yield Remark(severity="warn", what=what, remedy="choose another reference")


def _refers(value: Any, name: str) -> bool:
    if isinstance(value, dict):
        return any(_refers(item, name) for item in value.values())
    if isinstance(value, list):
        return any(_refers(item, name) for item in value)
    return bool(value == name)

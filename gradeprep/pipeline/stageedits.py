"""A shot's stages changed in the text of its recipe: a stage set, added, or taken out.

Whatever the text says of anything else stays as it was written: other shots, comments, spacing. A
shot that takes its stages from the defaults, or from an anchor, gets a list of its own.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

from gradeprep.errors import RequestError
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.yamledit import (
    Edit,
    added,
    applied,
    flow,
    inserted,
    removed,
    replaced,
    says,
    walk,
)
from gradeprep.pipeline.yamltree import YamlNode, places_of

__all__ = ["Change", "place_for", "with_stages"]

Change = Mapping[str, Mapping[str, Any] | None]
"""Stage to the parameters that are set in it, others left as they are; None takes it out."""

_Step = tuple[str, str, Mapping[str, Any] | None]
"""Shot, stage, and the stage's parameters."""

_BEHIND = ("balance", "pull")
"""Stages that a new lift is put before: it is meant for the signal while that is large."""


def with_stages(text: str, changes: Mapping[str, Change], *, file: str | None = None) -> str:
    """The text of a recipe with other stages in the named shots.

    Args:
        text: The recipe.
        changes: Shot to what changes in it. A stage that says already what it shall say is not
            touched, nor is a shot where nothing changes.
        file: Where the text stands, for the errors.

    Raises:
        RecipeError: The text is not YAML.
        RequestError: No such shot, a stage that stands in it more than once, or stages that other
            shots share through an anchor of this one.
    """
    queues = [[(shot, *it) for it in change.items()] for shot, change in changes.items()]
    for together in zip_longest(*queues):
        text = _edited(text, [step for step in together if step is not None], file)
    return text


def place_for(stage: str, names: Sequence[str]) -> int:
    """Where a new stage goes among others: a lift first, a balance behind it, a pull last."""
    if stage == "balance" and "lift" in names:
        return names.index("lift") + 1
    behind = _BEHIND if stage == "lift" else ("pull",) if stage == "balance" else ()
    return min((names.index(other) for other in behind if other in names), default=len(names))


def _only_place(stage: str, names: Sequence[str], *, shot: str) -> int | None:
    """Where a stage stands, None where it does not.

    Raises:
        RequestError: It stands there more than once, so nobody can say which is meant.
    """
    places = [index for index, name in enumerate(names) if name == stage]
    if len(places) > 1:
        raise RequestError(
            f"has {len(places)} stages '{stage}'",
            shot=shot,
            key="stages",
            remedy="change the one that is meant in the recipe itself",
        )
    return places[0] if places else None


def _edited(text: str, steps: Sequence[_Step], file: str | None) -> str:
    """The text with at most one stage of each shot changed."""
    data, _ = parse_yaml(text, file=file)
    wanted, tree = copy.deepcopy(data), places_of(text)
    found = [_ways(text, tree, wanted, step, file) for step in steps]
    ways = [way for way in found if way]
    if not ways:
        return text
    new = applied(text, [edit for way in ways for edit in way[0]])
    if says(new, wanted):
        return new
    if len(steps) > 1:
        for step in steps:
            text = _edited(text, [step], file)
        return text
    for edits in ways[0][1:]:
        if says(new := applied(text, edits), wanted):
            return new
    raise RequestError(
        "its stages are shared through an anchor",
        shot=steps[0][0],
        file=file,
        remedy="write them out for each shot",
    )


def _settings(wanted: Any, shot: str, file: str | None) -> dict[str, Any]:
    shots = wanted.get("shots") if isinstance(wanted, dict) else None
    if isinstance(shots, dict) and isinstance(shots.get(shot), dict):
        found: dict[str, Any] = shots[shot]
        return found
    known = ", ".join(map(str, shots)) if isinstance(shots, dict) else "none"
    raise RequestError(f"the recipe has no shot '{shot}'", file=file, remedy=f"it has {known}")


def _changed(
    before: list[dict[str, Any]], shot: str, stage: str, params: Mapping[str, Any] | None
) -> list[dict[str, Any]]:
    """The stages with one of them set, added or taken out; a new list."""
    after = copy.deepcopy(before)
    names = [next(iter(entry), "") for entry in before]
    place = _only_place(stage, names, shot=shot)
    if place is None:
        if params is not None:
            after.insert(place_for(stage, names), {stage: dict(params)})
    elif params is None:
        del after[place]
    else:
        after[place] = {stage: {**(after[place][stage] or {}), **params}}
    return after


def _ways(
    text: str, tree: YamlNode, wanted: Any, step: _Step, file: str | None
) -> list[list[Edit]]:
    """Edits that may make a change, the one that keeps most first; none where nothing changes.

    ``wanted`` is changed to what the text shall say.
    """
    shot, stage, params = step
    settings = _settings(wanted, shot, file)
    own = "stages" in settings
    before = (settings if own else wanted.get("defaults") or {}).get("stages") or []
    stages = _changed(before, shot, stage, params)
    if stages == before:
        return []
    settings["stages"] = stages
    path = ["shots", shot, "stages"] if own else ["shots", shot]
    key, place, aliased = walk(tree, wanted, path)
    if aliased is not None:
        return [[Edit(place.start, place.end, flow(aliased))]]
    if not own:
        return [[added(text, place, "stages", stages)]]
    ways = [replaced(text, key, place, flow(stages))]
    if len(place.items) > 1 or len(stages) >= len(place.items) > 0:
        ways.insert(0, _within(text, place, stages, stage))
    return ways


def _within(text: str, listed: YamlNode, stages: list[dict[str, Any]], stage: str) -> list[Edit]:
    """Edits inside the list as it is written."""
    names = [next(iter(entry)) for entry in stages]
    if len(stages) > len(listed.items):
        return [inserted(text, listed, names.index(stage), stages[names.index(stage)])]
    if len(stages) < len(listed.items):
        return [removed(text, listed, _missing(listed, names))]
    index = names.index(stage)
    found = listed.items[index].item(stage)
    if found is None:  # the entry is an alias
        place = listed.items[index]
        return [Edit(place.start, place.end, flow(stages[index]))]
    return _params(text, *found, stages[index][stage])


def _missing(listed: YamlNode, names: list[str]) -> int:
    written = [entry.keys[0][0] if entry.keys else "" for entry in listed.items]
    return next(i for i, name in enumerate(written) if i >= len(names) or name != names[i])


def _params(
    text: str, key: YamlNode | None, place: YamlNode, params: Mapping[str, Any]
) -> list[Edit]:
    """Only the values that change, where every parameter stands there by its name."""
    places = {name: place.item(name) for name in params}
    if any(found is None for found in places.values()):
        return replaced(text, key, place, flow(dict(params)))
    edits = []
    for name, found in places.items():
        assert found is not None
        if not says(text[found[1].start : found[1].end], params[name]):
            edits += replaced(text, *found, flow(params[name]))
    return edits

"""Measured stops back into the recipe they came from, everything else kept byte for byte.

The text is not parsed and printed again, which would lay it out anew: only the characters of the
stops are exchanged, and the result is parsed to prove that nothing else changed its meaning.
"""

from __future__ import annotations

import copy
import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeprep.errors import RecipeError, RequestError, WriteError
from gradeprep.model.exposure import checked_stops
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.yamltree import Place, comments_in, places_of
from gradeprep.plates import atomic

__all__ = ["Measured", "flow", "rewrite", "with_stops"]

Measured = float | Mapping[int, float]
"""Stops of a shot: a number, or keys ``{frame: stops}``."""

_PLAIN = re.compile(r"(?!(?:true|false|null)$)[A-Za-z_][A-Za-z0-9_./-]*")


def rewrite(path: Path, stops: Mapping[str, Measured], *, digest: str) -> str:
    """Writes stops into the pull of the named shots of a recipe file, whole or not at all.

    Args:
        path: The recipe; through a link, the file it leads to.
        stops: Shot to stops.
        digest: `atomic.digest` of the file as it was when the stops were measured.

    Returns:
        The digest of the file as it is now.

    Raises:
        RequestError: The file changed since, cannot be read, or has no place for the stops.
        WriteError: It could not be written; what stood there before still stands.
    """
    real = path.resolve()
    try:
        _check_unchanged(real, digest)
        text = real.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(f"cannot be read: {error}", file=path) from error
    content = with_stops(text, stops, file=str(path)).encode("utf-8")

    def write(temp: Path) -> None:
        temp.write_bytes(content)
        shutil.copymode(real, temp)

    def verify(temp: Path) -> str:
        if temp.read_bytes() != content:
            raise WriteError("what was written reads back wrong", file=path)
        _check_unchanged(real, digest)  # once more, as late as can be
        return atomic.digest(temp)

    return atomic.publish(real, write, verify)


def _check_unchanged(path: Path, digest: str) -> None:
    if atomic.digest(path) != digest:
        raise RequestError(
            "was changed after it was read", file=path, remedy="measure again with what it says now"
        )


def with_stops(text: str, stops: Mapping[str, Measured], *, file: str | None = None) -> str:
    """The text of a recipe with other stops in the pull of the named shots.

    A shot that takes its stages from the defaults, or from an anchor, gets a copy of them.
    Comments inside what is replaced (a meter over several lines) move above it.

    Raises:
        RecipeError: The text is not YAML.
        RequestError: No such shot, not exactly one pull, or stages that other shots share through
            an anchor of this one.
    """
    data, _ = parse_yaml(text, file=file)
    wanted = copy.deepcopy(data)
    tree = places_of(text)
    edits: list[_Edit] = []
    for shot, value in stops.items():
        edits += _edits(text, tree, wanted, shot, _checked(shot, value), file)
    new = text
    for edit in sorted(edits, key=lambda it: it.start, reverse=True):
        new = new[: edit.start] + edit.text + new[edit.end :]
    if not _says(new, wanted):
        raise RequestError(
            f"the stages of {', '.join(stops)} are shared through an anchor",
            file=file,
            remedy="write them out for each shot",
        )
    return new


def flow(value: Any) -> str:
    """Plain data as YAML on one line, as `gradeprep.model.yamltext` reads it back."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{flow(key)}: {flow(it)}" for key, it in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow, value)) + "]"
    if isinstance(value, str) and _PLAIN.fullmatch(value):
        return value
    return json.dumps(value, ensure_ascii=False)  # what JSON says of one value, YAML says too


@dataclass(frozen=True, slots=True)
class _Edit:
    """Characters ``start`` up to ``end``, and what stands there instead."""

    start: int
    end: int
    text: str


def _says(text: str, wanted: Any) -> bool:
    try:
        return bool(parse_yaml(text)[0] == wanted)
    except RecipeError:
        return False


def _checked(shot: str, value: Measured) -> float | dict[int, float]:
    try:
        if isinstance(value, Mapping):
            return {int(frame): checked_stops(value[frame]) + 0.0 for frame in sorted(value)}
        return checked_stops(value) + 0.0
    except ValueError as error:
        raise RequestError(str(error), shot=shot) from error


def _edits(
    text: str, tree: Place, wanted: Any, shot: str, value: Any, file: str | None
) -> list[_Edit]:
    """Edits for one shot; ``wanted`` is changed to what the text shall say."""
    shots = wanted.get("shots") if isinstance(wanted, dict) else None
    if not isinstance(shots, dict) or shot not in shots:
        known = ", ".join(map(str, shots)) if isinstance(shots, dict) else "none"
        raise RequestError(f"the recipe has no shot '{shot}'", file=file, remedy=f"it has {known}")
    settings = shots[shot]
    inherits = "stages" not in settings
    if inherits:
        settings["stages"] = copy.deepcopy((wanted.get("defaults") or {}).get("stages"))
    index = _pull(settings["stages"], shot, file)
    settings["stages"][index]["pull"]["stops"] = value
    path = ["shots", shot] if inherits else ["shots", shot, "stages", index, "pull", "stops"]
    key, place, aliased = _walk(tree, wanted, path)
    if aliased is not None:
        return [_Edit(place.start, place.end, flow(aliased))]
    if inherits:
        return [_added(text, place, settings["stages"])]
    return _replaced(text, key, place, flow(value))


def _pull(stages: Any, shot: str, file: str | None) -> int:
    """Place of the one pull that takes stops."""
    listed = stages if isinstance(stages, list) else []
    pulls = [index for index, it in enumerate(listed) if isinstance(it, dict) and "pull" in it]
    if len(pulls) != 1 or "stops" not in (listed[pulls[0]]["pull"] or {}):
        what = "no pull with stops" if not pulls else "no single pull with stops"
        raise RequestError(
            f"its stages have {what} to write to",
            shot=shot,
            file=file,
            remedy="write '- pull: {stops: 0}' where it is to be",
        )
    return pulls[0]


def _walk(tree: Place, wanted: Any, path: list[Any]) -> tuple[Place | None, Place, Any]:
    """Key and value at a path; or an alias on the way, with the data that it shall stand for."""
    key, place, data = None, tree, wanted
    for step in path:
        found = place.item(step)
        assert found is not None, "the tree and the data are of one text"
        key, place = found
        data = data[step]
        if place.kind == "alias":
            return key, place, data
    return key, place, None


def _replaced(text: str, key: Place | None, place: Place, value: str) -> list[_Edit]:
    """The value in the place of another; one that starts on a later line comes up to its key."""
    assert key is not None
    comments = comments_in(text, place)
    line = text.rfind("\n", 0, key.start) + 1
    above = "".join(f"{_indent(text, line)}{comment}{_newline(text)}" for comment in comments)
    edits = [_Edit(line, line, above)] if above else []
    if "\n" not in text[key.end : place.start]:
        return [*edits, _Edit(place.start, place.end, value)]
    colon = text.index(":", key.end) + 1
    between = text[colon : place.start].rstrip()
    return [*edits, _Edit(colon, place.end, f" {value}{between}")]


def _added(text: str, shot: Place, stages: list[Any]) -> _Edit:
    """Stages of its own, behind what the shot says already."""
    if shot.flow:
        comma, at = (", ", shot.items[-1].end) if shot.items else ("", shot.end - 1)
        return _Edit(at, at, f"{comma}stages: {flow(stages)}")
    newline = _newline(text)
    first = shot.keys[0][1].start
    indent = " " * (first - text.rfind("\n", 0, first) - 1)
    lines = [f"{indent}stages:", *(f"{indent}  - {_entry(stage)}" for stage in stages)]
    at = text.find("\n", shot.end - 1) + 1
    if not at:
        return _Edit(len(text), len(text), newline + newline.join(lines))
    return _Edit(at, at, "".join(line + newline for line in lines))


def _entry(stage: Any) -> str:
    """A stage as ``name: {...}``, without the brackets around."""
    return flow(stage)[1:-1] if isinstance(stage, dict) and stage else flow(stage)


def _indent(text: str, line: int) -> str:
    return text[line : line + len(text[line:]) - len(text[line:].lstrip(" "))]


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"

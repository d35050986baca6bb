"""A YAML text changed by its characters, so that all that is not meant stays as it was written.

A text is not parsed and printed again, which would lay it out anew: edits exchange, add or take
out characters, and whoever makes them parses the result to prove that nothing else changed its
meaning.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from gradeprep.errors import RecipeError
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.yamltree import YamlNode, comments_in

__all__ = [
    "Edit",
    "added",
    "applied",
    "flow",
    "inserted",
    "removed",
    "replaced",
    "says",
    "walk",
]

_PLAIN = re.compile(r"(?!(?:true|false|null)$)[A-Za-z_][A-Za-z0-9_./-]*")


@dataclass(frozen=True, slots=True)
class Edit:
    """Characters ``start`` up to ``end``, and what stands there instead."""

    start: int
    end: int
    text: str


def applied(text: str, edits: Iterable[Edit]) -> str:
    """The text with all edits made; none of them may overlap another."""
    for edit in sorted(edits, key=lambda it: it.start, reverse=True):
        text = text[: edit.start] + edit.text + text[edit.end :]
    return text


def says(text: str, wanted: Any) -> bool:
    """Whether a text means what is wanted of it."""
    try:
        return bool(parse_yaml(text)[0] == wanted)
    except RecipeError:
        return False


def flow(value: Any) -> str:
    """Plain data as YAML on one line, as `gradeprep.model.yamltext` reads it back."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{flow(key)}: {flow(it)}" for key, it in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow, value)) + "]"
    if isinstance(value, str) and _PLAIN.fullmatch(value):
        return value
    return json.dumps(value, ensure_ascii=False)  # what JSON says of one value, YAML says too


def walk(tree: YamlNode, data: Any, path: Sequence[Any]) -> tuple[YamlNode | None, YamlNode, Any]:
    """Key and value at a path; or an alias on the way, with the data that it shall stand for."""
    key, place = None, tree
    for step in path:
        found = place.item(step)
        assert found is not None, "the tree and the data are of one text"
        key, place = found
        data = data[step]
        if place.kind == "alias":
            return key, place, data
    return key, place, None


def replaced(text: str, key: YamlNode | None, place: YamlNode, value: str) -> list[Edit]:
    """The value in the place of another; one that starts on a later line comes up to its key."""
    assert key is not None
    comments = comments_in(text, place)
    line = _line(text, key.start)
    above = "".join(f"{_indent(text, line)}{comment}{_newline(text)}" for comment in comments)
    edits = [Edit(line, line, above)] if above else []
    if "\n" not in text[key.end : place.start]:
        return [*edits, Edit(place.start, place.end, value)]
    colon = text.index(":", key.end) + 1
    between = text[colon : place.start].rstrip()
    return [*edits, Edit(colon, place.end, f" {value}{between}")]


def added(text: str, owner: YamlNode, key: str, entries: Sequence[Any]) -> Edit:
    """A list of its own under a new key, behind what a mapping says already."""
    if owner.flow:
        comma, at = (", ", owner.items[-1].end) if owner.items else ("", owner.end - 1)
        return Edit(at, at, f"{comma}{key}: {flow(list(entries))}")
    newline = _newline(text)
    first = owner.keys[0][1].start
    indent = " " * (first - _line(text, first))
    lines = [f"{indent}{key}:", *(f"{indent}  - {_entry(entry)}" for entry in entries)]
    at = text.find("\n", owner.end - 1) + 1
    if not at:
        return Edit(len(text), len(text), newline + newline.join(lines))
    return Edit(at, at, "".join(line + newline for line in lines))


def inserted(text: str, owner: YamlNode, index: int, entry: Any) -> Edit:
    """A new entry of a list that is not empty, before the one at an index or behind the last."""
    last = index >= len(owner.items)
    place = owner.items[-1 if last else index]
    if owner.flow:
        at = place.end if last else place.start
        return Edit(at, at, f", {flow(entry)}" if last else f"{flow(entry)}, ")
    dash = _dash(text, place)
    line = _line(text, dash)
    words = f"{text[line:dash]}- {_entry(entry)}"
    newline = _newline(text)
    if not last:
        return Edit(dash, dash, f"- {_entry(entry)}{newline}{text[line:dash]}")
    at = text.find("\n", place.end - 1) + 1
    return Edit(at, at, words + newline) if at else Edit(len(text), len(text), newline + words)


def removed(text: str, owner: YamlNode, index: int) -> Edit:
    """An entry of a list of several taken out, with the comment on its last line."""
    place = owner.items[index]
    if owner.flow:
        if index:
            return Edit(owner.items[index - 1].end, place.end, "")
        return Edit(place.start, owner.items[1].start, "")
    start = _line(text, _dash(text, place))
    end = text.find("\n", place.end - 1) + 1
    return Edit(start, end or len(text), "")


def _dash(text: str, place: YamlNode) -> int:
    """The dash before an entry of a list that is written line by line."""
    return text.rindex("-", 0, place.start)


def _entry(entry: Any) -> str:
    """An entry as ``name: {...}``, without the brackets around."""
    return flow(entry)[1:-1] if isinstance(entry, dict) and entry else flow(entry)


def _line(text: str, position: int) -> int:
    """Where the line of a character begins."""
    return text.rfind("\n", 0, position) + 1


def _indent(text: str, line: int) -> str:
    return text[line : line + len(text[line:]) - len(text[line:].lstrip(" "))]


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"

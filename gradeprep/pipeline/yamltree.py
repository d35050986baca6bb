"""Where the values of a YAML text stand, so that one can be changed and the rest kept as it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import yaml

__all__ = ["YamlNode", "comments_in", "places_of"]


@dataclass(frozen=True, slots=True)
class YamlNode:
    """A value in a text, from character ``start`` up to ``end``.

    Attributes:
        start: Its first character; an anchor before it is not part of it.
        end: Behind its last character; comments and line ends after it are not part of it.
        kind: ``scalar``, ``alias``, ``mapping`` or ``list``.
        flow: Whether a mapping or list is written in brackets.
        keys: Of a mapping, the keys as written, in order; a list has none.
        items: The values of a mapping or list, in order.
    """

    start: int
    end: int
    kind: str
    flow: bool = False
    keys: tuple[tuple[str, YamlNode], ...] = ()
    items: tuple[YamlNode, ...] = ()

    def item(self, step: str | int) -> tuple[YamlNode | None, YamlNode] | None:
        """Key (None in a list) and value at one step down, if there are."""
        if isinstance(step, int):
            return (None, self.items[step]) if step < len(self.items) else None
        for (name, key), value in zip(self.keys, self.items, strict=False):
            if name == step:
                return key, value
        return None

    def leaves(self) -> Iterator[YamlNode]:
        """Its scalars and aliases, keys among them, in the order of the text."""
        if self.kind in ("scalar", "alias"):
            yield self
        for index, value in enumerate(self.items):
            if self.keys:
                yield self.keys[index][1]
            yield from value.leaves()


def places_of(text: str) -> YamlNode:
    """The tree of a text that `gradeprep.model.yamltext.parse_yaml` has parsed before."""
    events = iter(yaml.parse(text, Loader=yaml.SafeLoader))
    for event in events:
        if isinstance(event, yaml.DocumentStartEvent):
            return _place(next(events), events, text)
    raise ValueError("the text holds no document")


def comments_in(text: str, place: YamlNode) -> list[str]:
    """Comments between the first and the last character of a value."""
    found = []
    position = place.start
    for leaf in place.leaves():
        found += _comments(text[position : leaf.start])
        position = leaf.end
    return found + _comments(text[position : place.end])


def _comments(gap: str) -> list[str]:
    return [line[line.index("#") :].rstrip() for line in gap.splitlines() if "#" in line]


def _place(event: yaml.Event, events: Iterator[yaml.Event], text: str) -> YamlNode:
    start, end = _index(event.start_mark), _index(event.end_mark)
    if isinstance(event, yaml.AliasEvent):
        return YamlNode(start, end, "alias")
    start = _behind_anchor(text, start, event)
    if isinstance(event, yaml.MappingStartEvent):
        return _mapping(event, start, events, text)
    if isinstance(event, yaml.SequenceStartEvent):
        return _list(event, start, events, text)
    return YamlNode(start, end, "scalar")


def _behind_anchor(text: str, start: int, event: yaml.Event) -> int:
    anchor = getattr(event, "anchor", None)
    if anchor is None or not text.startswith(f"&{anchor}", start):
        return start
    behind = start + len(anchor) + 1
    return behind + len(text[behind:]) - len(text[behind:].lstrip())


def _mapping(
    event: yaml.MappingStartEvent, start: int, events: Iterator[yaml.Event], text: str
) -> YamlNode:
    keys, items = [], []
    while not isinstance(key := next(events), yaml.MappingEndEvent):
        keys.append((str(getattr(key, "value", "")), _place(key, events, text)))
        items.append(_place(next(events), events, text))
    end = _end(event, key, items)
    flow = bool(event.flow_style)
    return YamlNode(start, end, "mapping", flow, keys=tuple(keys), items=tuple(items))


def _list(
    event: yaml.SequenceStartEvent, start: int, events: Iterator[yaml.Event], text: str
) -> YamlNode:
    items = []
    while not isinstance(item := next(events), yaml.SequenceEndEvent):
        items.append(_place(item, events, text))
    return YamlNode(
        start, _end(event, item, items), "list", bool(event.flow_style), (), tuple(items)
    )


def _end(first: yaml.CollectionStartEvent, last: yaml.Event, items: list[YamlNode]) -> int:
    """A block collection's own end mark lies behind the comments that follow it."""
    if first.flow_style or not items:
        return _index(last.end_mark)
    return items[-1].end


def _index(mark: Any) -> int:
    """Characters before a mark; every event of a parsed text has its marks."""
    return int(mark.index)

"""Edits to the text of one shot of a recipe: its frames, its events, the comments about them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from gradeprep.conform.gather import Use
from gradeprep.conform.park import line_end, line_start, shot_end
from gradeprep.conform.recipe import Source, carried_lines, comments
from gradeprep.pipeline.yamledit import Edit, flow, replaced, says
from gradeprep.pipeline.yamltree import YamlNode, comments_in

__all__ = ["appended", "reconformed"]

_EVENT = re.compile(r"[ \t]*# event .+: .+ to .+, frames .*")
_OURS = ("timeline", "title", "events", "others")


def reconformed(
    text: str,
    shot: tuple[YamlNode | None, YamlNode],
    use: Use,
    source: Source,
    wanted: dict[str, Any],
) -> list[Edit]:
    """Edits that give a shot its frames and events; everything else keeps its bytes.

    Args:
        text: The recipe.
        shot: Key and value of the shot.
        use: What the timeline uses of its plate.
        source: Where it comes from.
        wanted: The shot as data, as it must become.
    """
    key, place = shot
    assert key is not None
    edits: list[Edit] = []
    frames = place.item("frames")
    if frames and not says(text[frames[1].start : frames[1].end], wanted["frames"]):
        edits += replaced(text, *frames, flow(wanted["frames"]))
    carried = place.item("carried")
    if place.flow or carried is None or carried[1].flow or carried[1].kind != "mapping":
        return edits + _as_flow(text, place, carried, wanted["carried"])
    edits += _commented(text, key, place, use)
    return edits + list(_carried(text, carried[1], list(carried_lines(use, source))))


def _as_flow(
    text: str, shot: YamlNode, carried: tuple[YamlNode | None, YamlNode] | None, value: Any
) -> list[Edit]:
    """What a shot carries in braces, where it is not written line by line."""
    if carried is not None:
        return replaced(text, *carried, flow(value))
    if shot.flow:
        at = shot.items[-1].end if shot.items else shot.end - 1
        return [Edit(at, at, f"{', ' if shot.items else ''}carried: {flow(value)}")]
    indent = " " * (shot.keys[0][1].start - line_start(text, shot.keys[0][1].start))
    at = line_end(text, shot.end)
    before = "" if text[:at].endswith("\n") else "\n"
    return [Edit(at, at, f"{before}{indent}carried: {flow(value)}\n")]


def _commented(text: str, key: YamlNode, shot: YamlNode, use: Use) -> Iterator[Edit]:
    """The comments about events, between the shot's name and its first key."""
    start = line_end(text, key.end)
    end = line_start(text, shot.keys[0][1].start)
    if end <= start:
        return
    lines = text[start:end].splitlines(keepends=True)
    ours = [index for index, line in enumerate(lines) if _EVENT.fullmatch(line.rstrip("\r\n"))]
    if not ours:
        return
    newline = "\r\n" if "\r\n" in text else "\n"
    indent = lines[ours[0]][: len(lines[ours[0]]) - len(lines[ours[0]].lstrip())]
    fresh = [f"{indent}# {comment}{newline}" for comment in comments(use)]
    kept = [line for index, line in enumerate(lines) if index not in ours]
    kept[ours[0] : ours[0]] = fresh
    if kept != lines:
        yield Edit(start, end, "".join(kept))


def _carried(text: str, carried: YamlNode, fresh: list[str]) -> Iterator[Edit]:
    """Our keys of what a shot carries, each as whole lines; the other keys stay."""
    newline = "\r\n" if "\r\n" in text else "\n"
    first = carried.keys[0][1].start
    indent = " " * (first - line_start(text, first))
    lines = "".join(f"{indent}{line}{newline}" for line in fresh)
    places = [
        (key, value)
        for (name, key), value in zip(carried.keys, carried.items, strict=True)
        if name in _OURS
    ]
    at: int | None = None
    for key, value in places:
        start, end = line_start(text, key.start), line_end(text, value.end)
        between = [line.strip() for line in text[key.end : value.start].splitlines()]
        above = [line.removeprefix(":").strip() for line in between if "#" in line]
        noted = "".join(
            f"{indent}{comment}{newline}" for comment in (*above, *comments_in(text, value))
        )
        if at is None:
            at = start
            yield Edit(start, end, noted + lines)
        else:
            yield Edit(start, end, noted)
    if at is None:
        start = line_start(text, first)
        yield Edit(start, start, lines)


def appended(text: str, shots: YamlNode, lines: list[str]) -> list[Edit]:
    """New shots behind the last one, indented as the others."""
    if not lines:
        return []
    newline = "\r\n" if "\r\n" in text else "\n"
    first = shots.keys[0][1].start
    indent = " " * (first - line_start(text, first))
    at = shot_end(text, shots.end, len(indent))
    body = "".join(f"{indent}{line[2:]}{newline}" for line in lines)
    return [Edit(at, at, body if text[:at].endswith("\n") else newline + body)]

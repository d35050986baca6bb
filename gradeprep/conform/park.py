"""Parked shots: shots that left the cut, kept in the recipe as comments, line by line."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gradeprep.pipeline.yamledit import Edit
from gradeprep.pipeline.yamltree import YamlNode

__all__ = ["Block", "blocks", "line_end", "line_start", "parked", "shot_end"]

_MARK = "#| "
_HEAD = "# parked, not in "
_BLOCK = re.compile(
    rf"^[ ]*{re.escape(_HEAD)}[^\n]*\n(?P<lines>(?:{re.escape(_MARK)}[^\n]*(?:\n|\Z))+)",
    re.MULTILINE,
)


@dataclass(frozen=True, slots=True)
class Block:
    """A parked shot, from character ``start`` up to ``end`` of a recipe.

    Attributes:
        start: First character of its heading.
        end: Character after its last line.
        shot: Its lines as they were.
    """

    start: int
    end: int
    shot: str


def blocks(text: str) -> list[Block]:
    """Parked shots of a recipe, in the order of the text."""
    return [
        Block(match.start(), match.end(), re.sub(rf"(?m)^{re.escape(_MARK)}", "", match["lines"]))
        for match in _BLOCK.finditer(text)
    ]


def parked(text: str, shots: YamlNode, name: str, timeline: str) -> Edit:
    """The lines of a shot as comments, under a line with the reason.

    Args:
        text: The recipe.
        shots: YamlNode of its shots.
        name: The shot.
        timeline: Name of the timeline that does not use it.
    """
    found = shots.item(name)
    assert found is not None
    assert found[0] is not None
    start = line_start(text, found[0].start)
    indent = found[0].start - start
    end = shot_end(text, found[1].end, indent)
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = [f"{_MARK}{line}" for line in text[start:end].splitlines(keepends=True)]
    if not lines[-1].endswith("\n"):
        lines[-1] += newline
    shown = "".join(char if char.isprintable() else " " for char in timeline)
    return Edit(start, end, f"{' ' * indent}{_HEAD}{shown}:{newline}{''.join(lines)}")


def line_start(text: str, position: int) -> int:
    """Where the line of a character begins."""
    return text.rfind("\n", 0, position) + 1


def line_end(text: str, position: int) -> int:
    """Where the line of the character before a position ends, its line end included."""
    return (text.find("\n", max(0, position - 1)) + 1) or len(text)


def shot_end(text: str, position: int, indent: int) -> int:
    """Where the lines of a shot end, with the comments after its last value that it indents.

    Args:
        text: The recipe.
        position: Where its last value ends.
        indent: Spaces before its name.
    """
    end = line_end(text, position)
    while end < len(text):
        line = text[end : line_end(text, end + 1)]
        bare = line.lstrip(" ")
        if not bare.startswith("#") or len(line) - len(bare) <= indent:
            return end
        end += len(line)
    return end

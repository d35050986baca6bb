"""Recipe text to plain data: safe YAML, with limits, and the line of every key.

Only plain scalars are distinguished (``true``/``false``, ``null``, numbers, text), as YAML 1.2's
core schema does, so that ``on: fail`` keeps its key and ``01:00:10:15`` stays text.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import yaml

from gradeprep.errors import Fault, RecipeError
from gradeprep.model.lines import KeyPath, Lines

__all__ = ["MAX_BYTES", "parse_yaml"]

MAX_BYTES = 4 * 1024 * 1024
"""Bytes of the largest text."""

MAX_DEPTH = 32
MAX_NODES = 200_000


class _CoreLoader(yaml.SafeLoader):
    """Safe loader with the plain scalars of YAML 1.2's core schema."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - the base class declares it


def _resolver(tag: str, pattern: str, first: str) -> None:
    _CoreLoader.add_implicit_resolver(_TAG + tag, re.compile(pattern), list(first))


_TAG = "tag:yaml.org,2002:"

_READ: dict[str, Callable[[str], Any]] = {
    "str": str,
    "null": dict.fromkeys(("", "~", "null")).__getitem__,
    "bool": {"true": True, "false": False}.__getitem__,
    "int": int,
    "float": lambda text: float(text.replace(".inf", "inf").replace(".nan", "nan")),
}
"""Each plain tag's reader; it raises where an explicit tag stands before other text."""

_resolver("null", r"^(?:~|null|)$", "~n\0")
_CoreLoader.add_implicit_resolver(_TAG + "null", re.compile(r"^$"), [""])
_resolver("bool", r"^(?:true|false)$", "tf")
_resolver("int", r"^[-+]?[0-9]+$", "-+0123456789")
_resolver(
    "float",
    r"^(?:[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?|[-+]?\.inf|\.nan)$",
    "-+0123456789.",
)


if yaml.__with_libyaml__:

    class _QuickLoader(yaml.CSafeLoader):
        """The same in compiled code, five times as fast."""

        yaml_implicit_resolvers = _CoreLoader.yaml_implicit_resolvers


def parse_yaml(text: str, *, file: str | None = None) -> tuple[Any, Lines]:
    """Parse YAML text into plain dicts, lists, text, numbers, booleans and None.

    Returns:
        The data, and the lines its keys stand on.

    Raises:
        RecipeError: Not YAML, a tag that is not plain data, a key given twice, or more
            bytes, depth or (expanded) nodes than a recipe ever needs.
    """
    if len(text.encode("utf-8", "replace")) > MAX_BYTES:
        raise _fault(file, None, f"the text is larger than {MAX_BYTES // 1024**2} MiB")
    root = _composed(text, file)
    lines = Lines()
    if root is None:
        return None, lines
    builder = _Builder(lines, file)
    return builder.build(root, ()), lines


def _composed(text: str, file: str | None) -> yaml.Node | None:
    """The text's root node; a text that the quick loader refuses is read again for the message."""
    if yaml.__with_libyaml__:
        with suppress(yaml.YAMLError, ValueError):
            return _nodes(text, file, _QuickLoader)
    try:
        return _nodes(text, file, _CoreLoader)
    except yaml.YAMLError as error:
        raise _yaml_fault(file, error) from error
    except ValueError as error:
        raise _fault(file, None, f"not YAML: {error}") from error


def _nodes(text: str, file: str | None, loader: Any) -> yaml.Node | None:
    _check_depth(text, file, loader)
    node: yaml.Node | None = yaml.compose(text, Loader=loader)
    return node


def _check_depth(text: str, file: str | None, loader: Any) -> None:
    """Walk the events first: no nested object exists yet, so a deep text costs nothing."""
    depth = 0
    for event in yaml.parse(text, Loader=loader):
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > MAX_DEPTH:
                mark = event.start_mark
                line = mark.line + 1 if mark else None
                raise _fault(file, line, f"nested deeper than {MAX_DEPTH} levels")
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1


@dataclass
class _Builder:
    lines: Lines
    file: str | None
    nodes: int = 0

    def build(self, node: yaml.Node, path: KeyPath) -> Any:
        line = node.start_mark.line + 1
        self.lines.by_path.setdefault(path, line)
        self.nodes += 1
        if self.nodes > MAX_NODES or len(path) > MAX_DEPTH:
            raise _fault(
                self.file, line, "aliases expand to more data than a recipe holds; write it out"
            )
        if isinstance(node, yaml.MappingNode) and node.tag == _TAG + "map":
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode) and node.tag == _TAG + "seq":
            return [self.build(item, (*path, i)) for i, item in enumerate(node.value)]
        return self._scalar(node, line)

    def _mapping(self, node: yaml.MappingNode, path: KeyPath) -> dict[Any, Any]:
        data: dict[Any, Any] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                raise _fault(self.file, line, "a key must be plain text or a number")
            key = self._scalar(key_node, line)
            if key in data:
                raise _fault(self.file, line, f"key '{key}' is given twice", path)
            self.lines.by_path[(*path, key)] = line
            data[key] = self.build(value_node, (*path, key))
        return data

    def _scalar(self, node: yaml.Node, line: int) -> Any:
        read = _READ.get(node.tag.removeprefix(_TAG))
        if read is None:
            raise _fault(self.file, line, f"tag '{node.tag}' is not plain data; remove it")
        try:
            return read(str(node.value))
        except (ValueError, KeyError) as error:
            what = f"'{node.value:.40}' is not what its tag says, or too long; write it plainly"
            raise _fault(self.file, line, what) from error


def _fault(file: str | None, line: int | None, what: str, path: KeyPath = ()) -> RecipeError:
    return RecipeError([Fault(".".join(map(str, path)), line, what)], file=file)


def _yaml_fault(file: str | None, error: yaml.YAMLError) -> RecipeError:
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or str(error)
    return _fault(file, mark.line + 1 if mark else None, f"not YAML: {' '.join(problem.split())}")

"""From a recipe's text to a checked recipe, its plugins' parameters checked with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from gradeprep.errors import PluginError, RequestError
from gradeprep.model.lines import Lines
from gradeprep.model.recipe import Kinds, Recipe, build_recipe
from gradeprep.plates.regular import content
from gradeprep.plugins.registry import Registry, installed

__all__ = ["build", "kinds", "read_recipe"]


def read_recipe(path: Path) -> Recipe:
    """Read and check a recipe file.

    Raises:
        RecipeError: With every fault in it.
        RequestError: It cannot be read.
    """
    from gradeprep.model.yamltext import MAX_BYTES, parse_yaml  # `pull` reads no YAML

    try:
        text = content(path, MAX_BYTES).decode("utf-8")
    except FileNotFoundError:
        raise RequestError("there is no such recipe", file=path) from None
    except UnicodeDecodeError as error:
        raise RequestError(f"is not UTF-8 text: {error.reason}", file=path) from error
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", file=path) from error
    data, lines = parse_yaml(text, file=str(path))
    return build(data, lines=lines, file=str(path))


def build(data: Any, *, lines: Lines | None = None, file: str | None = None) -> Recipe:
    """Check plain data as a recipe, with the parameters of the installed plugins."""
    return build_recipe(data, kinds(), lines=lines or Lines(), file=file)


def kinds() -> Kinds:
    """Parameter models of the installed plugins, each loaded when a recipe first names it.

    A plugin that is broken is named when it is asked for.
    """
    registry = installed()
    broken: dict[tuple[str, str], str] = {}
    stages, meters, checks = (
        _Models(registry, kind, broken) for kind in ("stages", "meters", "checks")
    )
    return Kinds(stages=stages, meters=meters, checks=checks, broken=broken)


class _Models(Mapping[str, type[BaseModel]]):
    """Plugins of one kind by name; a lookup imports that plugin and no other."""

    def __init__(self, registry: Registry, kind: str, broken: dict[tuple[str, str], str]) -> None:
        self._registry = registry
        self._kind = kind
        self._broken = broken

    def __getitem__(self, name: str) -> type[BaseModel]:
        if name not in self._registry.names(self._kind):
            raise KeyError(name)
        try:
            params: type[BaseModel] = self._registry.get(self._kind, name).Params
        except PluginError as error:
            self._broken[self._kind[:-1], name] = str(error)
            raise KeyError(name) from error
        return params

    def __iter__(self) -> Iterator[str]:
        return (name for name in self._registry.names(self._kind) if name in self)

    def __len__(self) -> int:
        return sum(1 for _ in self)

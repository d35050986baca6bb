"""From a recipe's text to a checked recipe, its plugins' parameters checked with it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gradeprep.model.lines import Lines
from gradeprep.model.recipe import Kinds, Recipe, build_recipe
from gradeprep.plates.formats import compressions
from gradeprep.plates.regular import asked_for, decoded
from gradeprep.plugins.registry import installed

__all__ = ["build", "kinds", "read_recipe"]


def read_recipe(path: Path) -> Recipe:
    """Read and check a recipe file.

    Raises:
        RecipeError: With every fault in it.
        RequestError: It cannot be read.
    """
    from gradeprep.model.yamltext import MAX_BYTES, parse_yaml  # `pull` reads no YAML

    text = decoded(asked_for(path, MAX_BYTES, missing="there is no such recipe"), path)
    data, lines = parse_yaml(text, file=str(path))
    return build(data, lines=lines, file=str(path))


def build(data: Any, *, lines: Lines | None = None, file: str | None = None) -> Recipe:
    """Check plain data as a recipe, with the parameters of the installed plugins."""
    return build_recipe(data, kinds(), lines=lines or Lines(), file=file)


def kinds() -> Kinds:
    """Parameter models of the installed plugins, each loaded when it is asked for."""
    registry = installed()
    return Kinds(
        stages=registry.params("stages"),
        meters=registry.params("meters"),
        checks=registry.params("checks"),
        compressions=compressions,
    )

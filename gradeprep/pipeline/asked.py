"""From a recipe's text to a checked recipe, its plugins' parameters checked with it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gradeprep.errors import RequestError
from gradeprep.model.lines import Lines
from gradeprep.model.recipe import Kinds, Recipe, build_recipe
from gradeprep.plates.regular import content
from gradeprep.plugins.registry import installed

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
    """Parameter models of the installed plugins, each loaded when it is asked for."""
    registry = installed()
    return Kinds(
        stages=registry.params("stages"),
        meters=registry.params("meters"),
        checks=registry.params("checks"),
    )

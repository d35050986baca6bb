"""The house rules: who may import whom, what each module offers, and that it is explained."""

from __future__ import annotations

import ast
import importlib
import tomllib
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "gradeprep"

# Each may import only what stands before it (and, inside one folder, its neighbours).
ORDER = (
    *("_version", "errors", "crashreport", "machine", "model", "photometry", "primaries"),
    *("ends", "plugins", "clips"),
    *("plates", "conversions", "colour"),
    *("looks", "transforms", "showlook", "stages", "meters", "checks", "sidecar", "pipeline"),
    *("runners", "farm", "onset", "conform", "handover", "review", "demo", "api"),
    *("gradeprep", "cli", "entry", "__main__"),  # the package itself offers what api does
)
PLUGIN_FOLDERS = {"stages", "meters", "checks", "handover"}


@cache
def modules() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def tree(name: str) -> ast.Module:
    return ast.parse(modules()[name].read_text(encoding="utf-8"))


@cache
def imports(name: str) -> frozenset[str]:
    """Modules of the package that a module imports, inside functions too."""
    found = set()
    for node in ast.walk(tree(name)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            for alias in node.names:
                module = f"{node.module}.{alias.name}"
                found.add(module if module in modules() else node.module)
    return frozenset(found & modules().keys() - {name})


def place_of(name: str) -> str:
    """The part of the package that a module belongs to; the package itself is one."""
    return name.split(".")[1] if "." in name else name


def plugin_modules() -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    groups = project["entry-points"].values()
    return {target.partition(":")[0] for group in groups for target in group.values()}


every_module = pytest.mark.parametrize("name", modules())


@every_module
def test_imports_only_what_stands_before_it(name):
    place = place_of(name)
    assert place in ORDER, f"{place} has no place in the order of imports"
    for other in imports(name):
        below = place_of(other)
        assert ORDER.index(below) <= ORDER.index(place), f"{name} imports {other}"
        if below == place and place in PLUGIN_FOLDERS:
            assert other not in plugin_modules(), f"{name} imports its peer {other}"


def test_no_import_runs_in_a_circle():
    graph = {name: imports(name) for name in modules()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"imports circular reference: {' <- '.join(error.args[1])}")


def definitions(body: list[ast.stmt]) -> list[ast.stmt]:
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    return [n for n in body if isinstance(n, kinds) and not n.name.startswith("_")]


@every_module
def test_offers_what_exists_and_everything_public(name):
    module = importlib.import_module(name) if name != "gradeprep.__main__" else None
    public = {node.name for node in definitions(tree(name).body)}
    offered = getattr(module, "__all__", [])
    assert [word for word in offered if not hasattr(module, word)] == []
    assert sorted(set(offered)) == sorted(offered), "a name is offered twice"
    assert sorted(public - set(offered)) == []


@every_module
def test_everything_public_is_explained(name):
    silent = [] if ast.get_docstring(tree(name)) else [name]
    waiting = definitions(tree(name).body)
    for node in waiting:
        if not ast.get_docstring(node):
            silent.append(f"{name}:{node.lineno} {node.name}")
        if isinstance(node, ast.ClassDef):
            waiting.extend(definitions(node.body))
    assert silent == []

"""Finding plugins: names first, objects on use.

Built-ins and other people's plugins come through the same door, the entry-point groups
``gradeprep.stages``, ``.meters``, ``.checks`` and ``.handovers`` of installed packages. Precedence:
there is none. Two packages that claim one name are both reported and neither is used, so that a
recipe never means one thing here and another elsewhere; a plugin that does not load is named
with its error when it is asked for, and disturbs no other; one that nobody asks for is not even
imported.
"""

from __future__ import annotations

import difflib
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import redirect_stdout
from dataclasses import dataclass
from functools import cache
from importlib.metadata import Distribution, EntryPoint, entry_points
from typing import Any

from pydantic import BaseModel

from gradeprep.errors import PluginError
from gradeprep.plugins.contractcheck import KINDS, complaints

__all__ = ["Entry", "Registry", "installed"]


@dataclass(frozen=True, slots=True)
class Entry:
    """A plugin by name, not loaded yet.

    Attributes:
        kind: ``stages``, ``meters``, ``checks`` or ``handovers``.
        name: The word a recipe uses.
        target: ``module:object``.
        source: Distribution that brings it, with its version.
    """

    kind: str
    name: str
    target: str
    source: str

    def load(self) -> Any:
        """Import the plugin, check it against its contract, and make one.

        Raises:
            PluginError: It does not import, or does not keep the contract.
        """
        module, _, attribute = self.target.partition(":")
        try:
            with redirect_stdout(sys.stderr):  # standard output is the program's own
                point = EntryPoint(self.name, f"{module}:{attribute}", f"gradeprep.{self.kind}")
                made = point.load()()
            complaint = next(complaints(self.kind, made, self.name), None)
        except (Exception, SystemExit) as error:  # a module that exits must not end the program
            what = f"does not load: {type(error).__name__}: {error}"
            raise self.broken(what) from error
        if complaint is not None:
            raise self.broken(complaint.what, complaint.remedy)
        return made

    def broken(self, what: str, remedy: str = "") -> PluginError:
        """An error that names this plugin and where it comes from."""
        return PluginError(
            f"{self.kind[:-1]} '{self.name}' from {self.source} ({self.target}) {what}",
            remedy=remedy or "update or uninstall that package",
        )


class Registry:
    """The plugins of this process, by kind and name."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self.entries = tuple(sorted(entries, key=lambda e: (e.kind, e.name, e.source)))
        self._made: dict[tuple[str, str], Any] = {}

    def names(self, kind: str) -> tuple[str, ...]:
        """Names of one kind, each once."""
        return tuple(dict.fromkeys(entry.name for entry in self.entries if entry.kind == kind))

    def get(self, kind: str, name: str) -> Any:
        """The plugin, loaded at its first use.

        Raises:
            PluginError: Unknown, provided twice, or broken.
        """
        key = (kind, name)
        if key not in self._made:
            self._made[key] = self._entry(kind, name).load()
        return self._made[key]

    def _entry(self, kind: str, name: str) -> Entry:
        found = [e for e in self.entries if e.kind == kind and e.name == name]
        if not found:
            known = self.names(kind)
            close = difflib.get_close_matches(name, known, n=3)
            hint = f"did you mean {' or '.join(close)}?" if close else f"known: {', '.join(known)}"
            raise PluginError(f"no {kind[:-1]} is called '{name}'", remedy=hint)
        if len(found) > 1:
            sources = " and ".join(f"{e.source} ({e.target})" for e in found)
            raise PluginError(
                f"{kind[:-1]} '{name}' is provided twice, by {sources}",
                remedy="uninstall one of them",
            )
        return found[0]

    def source(self, kind: str, name: str) -> str:
        """Distribution that brings a plugin, with its version; empty where there is none."""
        found = [e.source for e in self.entries if e.kind == kind and e.name == name]
        return " and ".join(found)

    def params(self, kind: str) -> Mapping[str, type[BaseModel]]:
        """Parameter models of a kind by plugin name; each plugin is loaded when it is looked up.

        Looking up one that is broken or provided twice raises `PluginError`.
        """
        return _Params(self, kind)


class _Params(Mapping[str, type[BaseModel]]):
    """What `Registry.params` gives."""

    def __init__(self, registry: Registry, kind: str) -> None:
        self._registry = registry
        self._kind = kind
        self._names = registry.names(kind)

    def __getitem__(self, name: str) -> type[BaseModel]:
        if name not in self._names:
            raise KeyError(name)
        model: type[BaseModel] = self._registry.get(self._kind, name).Params
        return model

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


@cache
def installed() -> Registry:
    """The plugins of all installed packages; read once a process."""
    points = entry_points()
    return Registry(
        Entry(kind, point.name, point.value, _source(point.dist))
        for kind in KINDS
        for point in _unique(points.select(group=f"gradeprep.{kind}"))
    )


def _unique(points: Iterable[EntryPoint]) -> Iterable[EntryPoint]:
    """One entry a target: a package found twice on the path is still one package."""
    return {(p.name, p.value, _source(p.dist)): p for p in points}.values()


@cache
def _source(package: Distribution | None) -> str:
    """Name and version of a package; its metadata are parsed once for all its plugins."""
    return "unknown" if package is None else f"{package.name} {package.version}"

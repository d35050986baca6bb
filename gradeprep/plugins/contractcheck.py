"""Whether a plugin keeps its contract, as far as can be seen without calling it."""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from gradeprep.plugins.contracts import API, Check, Handover, Meter, Stage

__all__ = ["KINDS", "Complaint", "complaints"]

KINDS: Mapping[str, type] = {
    "stages": Stage,
    "meters": Meter,
    "checks": Check,
    "handovers": Handover,
}
"""The kinds of plugins, as the entry-point groups name them, and the contract of each."""

_FIRST = 1
"""Version of the contracts of a plugin that states none."""


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is wrong with a plugin, said behind its name, and what to do where that is special."""

    what: str
    remedy: str = ""


def complaints(kind: str, made: Any, name: str | None = None) -> Iterator[Complaint]:
    """Everything in which an instance does not keep the contract of its kind.

    Args:
        kind: ``stages``, ``meters``, ``checks`` or ``handovers``.
        made: The instance.
        name: The name that it is known by, where it is known by one.
    """
    api = getattr(made, "api", _FIRST)
    if api != API:  # nothing else can be said of it
        yield _other_version(api)
        return
    for text in ("name", "summary"):
        if not isinstance(getattr(made, text, None), str):
            yield Complaint(f"has no text '{text}'")
    called = getattr(made, "name", None)
    if name is not None and isinstance(called, str) and called != name:
        yield Complaint(f"calls itself '{called}'")
    params = getattr(made, "Params", None)
    if not (isinstance(params, type) and issubclass(params, BaseModel)):
        yield Complaint("has no pydantic model 'Params'")
    for method, wanted in _methods(KINDS[kind]):
        yield from _unlike(made, method, wanted)


def _other_version(api: object) -> Complaint:
    newer = isinstance(api, int) and api > API
    return Complaint(
        f"is written for contract version {api}; this gradeprep keeps version {API}",
        "update gradeprep" if newer else "",
    )


def _methods(contract: type) -> Iterator[tuple[str, list[str]]]:
    for name, member in vars(contract).items():
        if inspect.isfunction(member) and not name.startswith("_"):
            yield name, list(inspect.signature(member).parameters)[1:]


def _unlike(made: Any, name: str, wanted: list[str]) -> Iterator[Complaint]:
    method = getattr(made, name, None)
    if not callable(method):
        yield Complaint(f"has no method '{name}'")
        return
    given = list(inspect.signature(method).parameters)
    if len(given) != len(wanted):
        yield Complaint(
            f"takes ({', '.join(given)}) in '{name}'; the contract says ({', '.join(wanted)})"
        )

"""What the installed package says it needs, and which versions are there.

Only what this package writes in its own metadata is understood: a name, at most one floor
(``>=``), and at most one marker, the extra (PEP 508).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import metadata

from gradeprep.model.diagnosed import Problem

__all__ = ["Requirement", "faults", "installed_version", "requirements", "too_old"]

_LINE = re.compile(
    r"(?P<name>[A-Za-z0-9._-]+)(?P<inner>\[[^]]*])?\s*(?:>=\s*(?P<floor>[0-9.]+))?"
    r"\s*(?:;\s*extra\s*==\s*['\"](?P<extra>[^'\"]+)['\"])?"
)


@dataclass(frozen=True, slots=True)
class Requirement:
    """A package that is needed.

    Attributes:
        name: Its name.
        floor: Least version; empty where any serves.
        extra: The extra that needs it; empty where the program itself does.
    """

    name: str
    floor: str = ""
    extra: str = ""


def requirements(lines: Iterable[str] | None = None) -> tuple[Requirement, ...]:
    """What this package needs; an extra that only names another extra is left out.

    Args:
        lines: As metadata writes them; those of the installed package when left out.
    """
    if lines is None:
        try:
            lines = metadata.requires("gradeprep") or ()
        except metadata.PackageNotFoundError:  # run from its folder, never installed
            lines = ()
    matches = (match for line in lines if (match := _LINE.match(line)))
    return tuple(
        Requirement(match["name"], match["floor"] or "", match["extra"] or "")
        for match in matches
        if not match["inner"]
    )


def faults() -> Iterator[Problem]:
    """Packages that are absent or too old; those of an extra may be absent."""
    needed = requirements()
    if not needed:
        yield Problem(
            what="gradeprep is not installed, so its plugins are not found",
            remedy="install it: pip install .",
        )
    for one in needed:
        version = installed_version(one.name)
        wanted = (
            f"pip install '{one.name}>={one.floor}'" if one.floor else f"pip install {one.name}"
        )
        if version is None and not one.extra:
            yield Problem(what=f"{one.name} is not there", remedy=wanted)
        elif version is not None and one.floor and too_old(version, one.floor):
            what = f"{one.name} {version} is older than {one.floor}"
            yield Problem(what=what, remedy=wanted)


def installed_version(name: str) -> str | None:
    """The version that is there, or None."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def too_old(version: str, floor: str) -> bool:
    """Whether a version lies below a floor, number by number."""
    return _numbers(version) < _numbers(floor)


def _numbers(version: str) -> tuple[int, ...]:
    """The release's numbers without zeros at the end: 3.10.0 is 3.10."""
    release = re.sub(r"[^0-9.].*", "", version)
    return tuple(int(number) for number in re.sub(r"(\.0*)+$", "", release).split(".") if number)

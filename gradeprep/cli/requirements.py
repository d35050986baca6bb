"""What the metadata of the installed package requires, and which versions are installed."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import metadata

from packaging.requirements import Requirement
from packaging.version import Version

from gradeprep.model.documents.diagnosis import Problem

__all__ = ["faults", "floor", "installed_version", "requirements", "too_old"]


def requirements() -> dict[str, list[Requirement]]:
    """Extra to the packages it brings; those of the program itself stand under ``""``.

    An extra that names another extra of this package repeats nothing. A package that was never
    installed requires nothing.
    """
    try:
        found = metadata.metadata("gradeprep")
    except metadata.PackageNotFoundError:
        return {}
    needed: dict[str, list[Requirement]] = {}
    extras = ("", *(found.get_all("Provides-Extra") or ()))
    for line in found.get_all("Requires-Dist") or ():
        one = Requirement(line)
        if one.name != "gradeprep":
            extra = next((it for it in extras if _applies(one, it)), None)
            if extra is not None:  # None: a marker that this machine does not meet
                needed.setdefault(extra, []).append(one)
    return needed


def _applies(one: Requirement, extra: str) -> bool:
    return one.marker is None or one.marker.evaluate({"extra": extra})


def floor(needed: Requirement) -> str:
    """The least version that serves; empty where any does."""
    return next((it.version for it in needed.specifier if it.operator == ">="), "")


def faults() -> Iterator[Problem]:
    """Packages that are absent or too old; those of an extra may be absent."""
    needed = requirements()
    if not needed:
        yield Problem(
            what="gradeprep is not installed, so its plugins are not found",
            remedy="install it: pip install .",
        )
    for extra, packages in needed.items():
        for one in packages:
            version = installed_version(one.name)
            remedy = f"pip install '{one.name}{one.specifier}'"
            if version is None and not extra:
                yield Problem(what=f"{one.name} is not there", remedy=remedy)
            elif version is not None and too_old(version, floor(one)):
                what = f"{one.name} {version} is older than {floor(one)}"
                yield Problem(what=what, remedy=remedy)


def installed_version(name: str) -> str | None:
    """The version that is installed, or None."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def too_old(version: str, floor: str) -> bool:
    """Whether a version lies below a floor (PEP 440); none lies below an empty one."""
    return bool(floor) and Version(version) < Version(floor)

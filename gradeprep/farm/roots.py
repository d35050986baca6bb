"""The few folders that all files of a bundle lie in; farms map folders, and not many of them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import PurePath

__all__ = ["roots"]


def roots(folders: Iterable[PurePath], *, most: int) -> list[PurePath]:
    """At most so many folders that all the given ones lie in, each as deep as can be.

    Neighbours are joined in the folder around them, the deepest first. Nothing is joined in the
    root of a disk unless there is no other way.

    Args:
        folders: Absolute folders, each of one kind of system.
        most: How many there may be, one at least.
    """
    found = _outermost(folders)
    while len(found) > most:
        deep = max(len(one.parts) for one in found)
        joined = [one.parent if len(one.parts) == deep else one for one in found]
        if deep <= 1:
            break
        found = _outermost(joined)
    return found


def _outermost(folders: Iterable[PurePath]) -> list[PurePath]:
    """The folders that lie in no other of them, in order."""
    kept: list[PurePath] = []
    for folder in sorted(set(folders), key=lambda one: (len(one.parts), str(one))):
        if not any(folder.is_relative_to(other) for other in kept):
            kept.append(folder)
    return sorted(kept, key=str)

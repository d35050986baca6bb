"""Forms of a name that mean the same source, and what a longer or shorter form has in common."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from gradeprep.conform.timeline import name_of_path

__all__ = ["folded", "names_of", "rolls_of", "stems_of", "unversioned"]

_EXTENSION = re.compile(r"\.[A-Za-z][A-Za-z0-9]{1,4}\Z")
_FRAMES = re.compile(r"(?:[._ -]?(?:\[\d+-\d+\]|#+|@+|%0?\d*d)|\.\d+)\Z")
_SUFFIX = re.compile(r"[. (\[]")
_ROLL = re.compile(r"[_. -]")
_VERSION = re.compile(r"(?:(?<=[._ -])|(?<=\A))v\d+(?=[._ -]|\Z)", re.IGNORECASE)


def folded(text: str) -> str:
    """A name without case, in one Unicode form (NFC), whatever form a disk or a list has."""
    return unicodedata.normalize("NFC", text).strip().casefold()


def names_of(text: str) -> frozenset[str]:
    """Forms of a name that mean the same: without folder, extension, frame number, case.

    >>> sorted(names_of("plates/Quay_0100.[1001-1048].exr"))
    ['quay_0100', 'quay_0100.[1001-1048]', 'quay_0100.[1001-1048].exr']
    """
    name = folded(name_of_path(text))
    bare = _EXTENSION.sub("", name)
    return frozenset(filter(None, (name, bare, _FRAMES.sub("", bare).rstrip("._- "))))


def stems_of(text: str) -> Iterator[str]:
    """A name without its editorial suffixes, the longest first.

    A suffix starts at a dot, a space or a bracket (common practice); an underscore or a dash
    belongs to the name itself.

    >>> list(stems_of("ZZ100_501.new.01"))
    ['zz100_501.new', 'zz100_501']
    """
    name = folded(name_of_path(text))
    for match in reversed(list(_SUFFIX.finditer(name))):
        if stem := name[: match.start()].rstrip("._- ("):
            yield stem


def rolls_of(name: str) -> Iterator[str]:
    """Beginnings of a reel or clip name that may name its roll.

    >>> list(rolls_of("a001_c003_0501"))
    ['a001', 'a001_c003']
    """
    for match in _ROLL.finditer(name):
        if match.start():
            yield name[: match.start()]


def unversioned(text: str) -> str:
    """A name or path without its version numbers.

    >>> unversioned("quay_0100_v002")
    'quay_0100'
    """
    parts = (_VERSION.sub("", part) for part in text.split("/"))
    return "/".join(re.sub(r"[._ -]{2,}", "_", part).strip("._- ") for part in parts)

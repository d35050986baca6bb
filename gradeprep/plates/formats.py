"""The registry of file formats: one line each. Modules are imported when first used."""

from __future__ import annotations

import os
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import NamedTuple, cast

from gradeprep.errors import CannotCarryError, RequestError
from gradeprep.plates.format import Format, WritableFormat

__all__ = [
    "DEFAULT",
    "READABLE",
    "REGISTRY",
    "SUFFIXES",
    "WRITABLE",
    "FormatEntry",
    "by_name",
    "compressions",
    "name_of",
    "of_content",
    "suffix_of",
    "writable",
]


class FormatEntry(NamedTuple):
    """A registered format.

    Attributes:
        module: Module of this package that implements it.
        suffixes: Extensions of its files, lower case, the usual one first.
        signatures: First bytes of its files, any of them; empty where they are not fixed.
        writable: Whether the module implements `WritableFormat`.
    """

    module: str
    suffixes: tuple[str, ...]
    signatures: tuple[bytes, ...] = ()
    writable: bool = False


_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

REGISTRY = {
    "exr": FormatEntry("exr", ("exr",), (b"\x76\x2f\x31\x01",), writable=True),
    "dpx": FormatEntry("dpx", ("dpx",), (b"SDPX", b"XPDS"), writable=True),
    "cin": FormatEntry("oiiofile", ("cin",)),
    "tif": FormatEntry(
        "tif", ("tif", "tiff"), (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), writable=True
    ),
    "hdr": FormatEntry("oiiofile", ("hdr",)),
    "pfm": FormatEntry("oiiofile", ("pfm",)),
}
"""Formats by name; each holds scene-linear or log pictures without a display's curve."""

DEFAULT = next(iter(REGISTRY))
"""Format of a result where nothing else is given."""

SUFFIXES = {suffix: name for name, entry in REGISTRY.items() for suffix in entry.suffixes}
"""Extension to name of format."""

WRITABLE = tuple(name for name, entry in REGISTRY.items() if entry.writable)
"""Names of the formats that can be written."""

READABLE = tuple(SUFFIXES)
"""Extensions of the formats that can be read, as messages list them."""

_SIGNATURES = {
    signature: name for name, entry in REGISTRY.items() for signature in entry.signatures
}


def suffix_of(path: str | Path) -> str:
    """Extension of a file's name, lower case, without the dot."""
    # no Path: called for every frame
    return os.path.splitext(path)[1].lower().removeprefix(".")  # noqa: PTH122


def name_of(path: str | Path) -> str | None:
    """Format that a file's extension names; None for an extension of none."""
    return SUFFIXES.get(suffix_of(path))


def of_content(start: bytes) -> str | None:
    """Format whose signature a file starts with; None where no signature matches."""
    return next((name for s, name in _SIGNATURES.items() if start.startswith(s)), None)


@cache
def by_name(name: str) -> Format:
    """The module of a format.

    Raises:
        CannotCarryError: No format has that name.
    """
    if name not in REGISTRY:
        raise CannotCarryError(
            f"'{name}' is not a format of scene-referred plates",
            remedy=f"use one of {', '.join(REGISTRY)}",
        )
    module = import_module(f"gradeprep.plates.{REGISTRY[name].module}")
    return cast(Format, module)


def writable(name: str | None, suffix: str = "") -> WritableFormat:
    """The module of a format that can be written.

    Args:
        name: Name of the format; None where an extension names none.
        suffix: What the message names instead of the format.

    Raises:
        RequestError: No such format, or one that is only read.
    """
    if name not in WRITABLE:
        known = [f".{REGISTRY[one].suffixes[0]}" for one in WRITABLE]
        raise RequestError(
            f"'.{suffix or name}' cannot be written",
            remedy=f"write {', '.join(known[:-1])} or {known[-1]}",
            key="output",
        )
    return cast(WritableFormat, by_name(name))


def compressions() -> tuple[str, ...]:
    """Names of the compressions of all formats that can be written."""
    return tuple(
        dict.fromkeys(name for format in WRITABLE for name in writable(format).COMPRESSIONS)
    )

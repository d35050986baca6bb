"""Plain file names for transforms: letters, digits and ``-_``, so that any monitor takes them."""

from __future__ import annotations

import re

from gradeprep.looks import Look
from gradeprep.model.documents.compensation import Format

__all__ = ["file_name", "set_name"]


def set_name(space: str, look: Look | None) -> str:
    """What the names of a set begin with: its space, and its display and view where it has them."""
    parts = [space] if look is None else [space, look.display, look.view]
    return "_".join(_plain(part) for part in parts)


def file_name(name: str, stops: float, kind: Format, size: int | None) -> str:
    """Name of a file of a set.

    >>> file_name("acescct", -1.5, "3d", 33)
    'acescct_minus1p5_3d33.cube'
    """
    sign = "minus" if stops < 0 else "plus"
    change = f"{abs(stops):.9g}".replace(".", "p").replace("+", "")
    table = "" if size is None else f"_{kind}{size}"
    return f"{name}_{sign}{change}{table}.{'clf' if kind == 'clf' else 'cube'}"


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "space"

"""Changes that nobody could notice, each with its reason: ``unnoticed.toml``."""

from __future__ import annotations

import tomllib
from pathlib import Path

from .change import Mutant

__all__ = ["Unnoticed"]

_FILE = Path(__file__).with_name("unnoticed.toml")


class Unnoticed:
    """The list, keyed by module, the text of the line, and the change."""

    def __init__(self, path: Path = _FILE) -> None:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        self.reasons = {
            (module, entry["line"], change.strip()): entry["why"]
            for module, entries in told.items()
            for entry in entries
            for change in entry["changes"]
        }

    def reason(self, module: str, mutant: Mutant) -> str | None:
        """Why nobody could notice it; None where somebody could."""
        return self.reasons.get((module, mutant.text, mutant.change))

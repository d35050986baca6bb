"""Where the keys of a text stand, so that a fault can name its line."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["KeyPath", "Lines"]

KeyPath = tuple[str | int, ...]
"""Keys and list places from the root of a text down."""


@dataclass
class Lines:
    """Where each key path of a text stands; one-based line numbers."""

    by_path: dict[KeyPath, int] = field(default_factory=dict)

    def of(self, path: KeyPath) -> int | None:
        """Line of the path, or of the nearest of its parents that the text holds."""
        for length in range(len(path), -1, -1):
            if path[:length] in self.by_path:
                return self.by_path[path[:length]]
        return None

"""gradeprep: brings plates that were exposed hot on purpose back to their intended exposure.

``gradeprep.pull``, ``measure``, ``check`` and ``Recipe`` are what the commands are; see
`gradeprep.api`. Importing the package loads nothing: each name is fetched when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gradeprep._version import __version__

if TYPE_CHECKING:
    from gradeprep.api import Plan, Recipe, check, measure, pull

__all__ = ["Plan", "Recipe", "__version__", "check", "measure", "pull"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from gradeprep import api

        return getattr(api, name)
    raise AttributeError(f"module 'gradeprep' has no attribute '{name}'")

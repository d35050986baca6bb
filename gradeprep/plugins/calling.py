"""Calling a plugin: an error in it names the plugin and the package that provides it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from gradeprep.errors import GradeprepError, PluginError, RequestError
from gradeprep.plugins.registry import installed

__all__ = ["calling", "misbehaved"]


@contextmanager
def calling(kind: str, name: str, *, shot: str | None = None) -> Iterator[None]:
    """Turns what a plugin raises into an error with one line.

    Args:
        kind: ``stages``, ``meters``, ``checks`` or ``handovers``.
        name: The plugin's name.
        shot: The shot that it works on.

    Raises:
        GradeprepError: As the plugin raised it.
        RequestError: The plugin says that it cannot do this (``ValueError``).
        PluginError: Anything else: a bug of the plugin.
    """
    try:
        yield
    except GradeprepError as error:
        error.at(shot=shot)
        raise
    except ValueError as error:
        raise RequestError(str(error), shot=shot, key=f"{kind[:-1]} {name}") from error
    except Exception as error:
        what = f"failed with {type(error).__name__}: {error}"
        raise misbehaved(kind, name, what, shot=shot) from error


def misbehaved(kind: str, name: str, what: str, *, shot: str | None = None) -> PluginError:
    """An error that says what a plugin did, whose it is, and what to do."""
    source = installed().source(kind, name)
    return PluginError(
        what,
        shot=shot,
        key=f"{kind[:-1]} {name}" + (f" from {source}" if source else ""),
        remedy="report it to its author, and do not use it until it is fixed",
    )

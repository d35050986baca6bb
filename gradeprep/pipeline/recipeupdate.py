"""Decided stops back into the recipe they belong to, everything else kept byte for byte.

Only the characters of the stops are exchanged, as `gradeprep.pipeline.stageedits` does it.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gradeprep.errors import RequestError, WriteError
from gradeprep.model.exposure import checked_stops
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.stageedits import with_stages
from gradeprep.plates import atomic

__all__ = ["Measured", "replace_text", "rewrite", "with_stops"]

Measured = float | Mapping[int, float]
"""Stops of a shot: a number, or keys ``{frame: stops}``."""


def rewrite(path: Path, stops: Mapping[str, Measured], *, digest: str) -> str:
    """Writes stops into the pull of the named shots of a recipe file, whole or not at all.

    Args:
        path: The recipe; through a link, the file it leads to.
        stops: Shot to stops.
        digest: `atomic.digest` of the file as it was when the stops were measured.

    Returns:
        The digest of the file as it is now.

    Raises:
        RequestError: The file changed since, cannot be read, or has no place for the stops.
        WriteError: It could not be written; what stood there before still stands.
    """
    real = path.resolve()
    try:
        _check_unchanged(real, digest)
        text = real.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(f"cannot be read: {error}", file=path) from error
    return replace_text(path, with_stops(text, stops, file=str(path)), digest=digest)


def replace_text(path: Path, text: str, *, digest: str) -> str:
    """Writes a whole new text over a recipe file that is as it was read, or nothing at all.

    Args:
        path: The recipe; through a link, the file it leads to.
        text: What it shall say.
        digest: `atomic.digest` of the file as it was read.

    Returns:
        The digest of the file as it is now.

    Raises:
        RequestError: The file changed since, or cannot be read.
        WriteError: It could not be written; what stood there before still stands.
    """
    real = path.resolve()
    content = text.encode("utf-8")

    def write(temp: Path) -> None:
        temp.write_bytes(content)
        shutil.copymode(real, temp)

    def verify(temp: Path) -> str:
        if temp.read_bytes() != content:
            raise WriteError("what was written reads back wrong", file=path)
        _check_unchanged(real, digest)  # once more, as late as can be
        return atomic.digest(temp)

    try:
        _check_unchanged(real, digest)
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", file=path) from error
    return atomic.publish(real, write, verify)


def _check_unchanged(path: Path, digest: str) -> None:
    if atomic.digest(path) != digest:
        raise RequestError(
            "was changed after it was read", file=path, remedy="measure again with what it says now"
        )


def with_stops(text: str, stops: Mapping[str, Measured], *, file: str | None = None) -> str:
    """The text of a recipe with other stops in the pull of the named shots.

    A shot that takes its stages from the defaults, or from an anchor, gets a copy of them.
    Comments inside what is replaced (a meter over several lines) move above it.

    Raises:
        RecipeError: The text is not YAML.
        RequestError: No such shot, not exactly one pull, or stages that other shots share through
            an anchor of this one.
    """
    data, _ = parse_yaml(text, file=file)
    changes = {}
    for shot, value in stops.items():
        _check_pull(data, shot, file)
        changes[shot] = {"pull": {"stops": _checked(shot, value)}}
    return with_stages(text, changes, file=file)


def _checked(shot: str, value: Measured) -> float | dict[int, float]:
    try:
        if isinstance(value, Mapping):
            return {int(frame): checked_stops(value[frame]) + 0.0 for frame in sorted(value)}
        return checked_stops(value) + 0.0
    except ValueError as error:
        raise RequestError(str(error), shot=shot) from error


def _check_pull(data: Any, shot: str, file: str | None) -> None:
    """One pull of the shot takes stops; a shot that is not there is refused elsewhere."""
    shots = data.get("shots") if isinstance(data, dict) else None
    if not isinstance(shots, dict) or shot not in shots:
        return
    stages = shots[shot].get("stages", (data.get("defaults") or {}).get("stages"))
    listed = stages if isinstance(stages, list) else []
    pulls = [it["pull"] for it in listed if isinstance(it, dict) and "pull" in it]
    if len(pulls) != 1 or "stops" not in (pulls[0] or {}):
        what = "no pull with stops" if not pulls else "no single pull with stops"
        raise RequestError(
            f"its stages have {what} to write to",
            shot=shot,
            file=file,
            remedy="write '- pull: {stops: 0}' where it is to be",
        )

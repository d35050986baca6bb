"""The recipe as the desk loaded it: its text, its revision, what was saved, and undo.

Nothing is written over a recipe that somebody else changed meanwhile: each write holds a lock and
happens only while the disk still says what was loaded here.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import xxhash

from gradeprep.errors import OutputRefusedError, RequestError
from gradeprep.model.recipe import Recipe
from gradeprep.model.yamltext import MAX_BYTES, parse_yaml
from gradeprep.pipeline.recipefile import build
from gradeprep.pipeline.recipeupdate import replace_text
from gradeprep.pipeline.stageedits import Change, with_stages
from gradeprep.plates.regular import asked_for, content, decoded
from gradeprep.runners import lock

__all__ = ["ChangedError", "Loaded", "Session"]


class ChangedError(RequestError):
    """The recipe is not what whoever asks has seen; nothing was written."""

    usual_remedy = "reload it here, then decide again"


@dataclass(frozen=True, slots=True)
class Loaded:
    """A recipe as it was read.

    Attributes:
        text: Its text.
        revision: Hash of its bytes, as `gradeprep.plates.atomic.digest` gives it.
        recipe: What it asks.
    """

    text: str
    revision: str
    recipe: Recipe


@dataclass
class Session:
    """One recipe, open at a desk; safe to be asked by several threads.

    Args:
        path: The recipe.

    Raises:
        RecipeError: With every fault in it.
        RequestError: It cannot be read.
    """

    path: Path
    now: Loaded = field(init=False)
    _undo: list[str] = field(init=False, default_factory=list)
    _lock: threading.RLock = field(init=False, default_factory=threading.RLock)
    _seen: tuple[tuple[int, ...], bool] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.path = self.path.resolve()
        self.now = _loaded(self.path)

    @property
    def folder(self) -> Path:
        """Where the recipe stands; its relative paths start there."""
        return self.path.parent

    @property
    def undoes(self) -> int:
        """Saves that can be taken back."""
        return len(self._undo)

    @property
    def changed(self) -> bool:
        """Whether the disk says something else than what was loaded, or nothing any more."""
        with self._lock:
            try:
                stamp = _stamp(self.path)
                if self._seen is None or self._seen[0] != stamp:  # hashed when it was touched only
                    found = _revision(content(self.path, MAX_BYTES)) != self.now.revision
                    self._seen = (stamp, found)
            except OSError:
                return True
            return self._seen[1]

    def save(self, changes: Mapping[str, Change], *, revision: str) -> Loaded:
        """Write other stages into the recipe, comments and layout kept.

        Args:
            changes: Shot to stage to parameters, as `with_stages` takes them.
            revision: Revision that the changes were decided at.

        Raises:
            ChangedError: The recipe is another one by now, here or on the disk.
            RecipeError: The changed text would be no recipe.
            RequestError: No such shot, or no place for a change.
            WriteError: It could not be written.
        """
        with self._lock:
            self._expect(revision)
            before = self.now.text
            text = with_stages(before, changes, file=str(self.path))
            if text == before:
                return self.now
            self._replace(text)
            self._undo.append(before)
            return self.now

    def undo(self, *, revision: str) -> Loaded:
        """Take the last save back.

        Raises:
            ChangedError: The recipe is another one by now, here or on the disk.
            RequestError: There is nothing to take back.
            WriteError: It could not be written.
        """
        with self._lock:
            self._expect(revision)
            if not self._undo:
                raise RequestError("nothing was saved here that could be taken back")
            self._replace(self._undo[-1])
            self._undo.pop()
            return self.now

    def reload(self) -> Loaded:
        """Reload the recipe; what was saved before can no longer be taken back.

        Raises:
            RecipeError: It is no recipe any more; what was loaded before stays.
            RequestError: It cannot be read; the same.
        """
        with self._lock:
            self.now = _loaded(self.path)
            self._undo.clear()
            self._seen = None
            return self.now

    def expect_unchanged(self) -> Loaded:
        """What was loaded, where the disk still says the same.

        Raises:
            ChangedError: It does not.
        """
        with self._lock:
            if self.changed:
                raise ChangedError("was changed on disk after it was loaded here", file=self.path)
            return self.now

    def _expect(self, revision: str) -> None:
        if revision != self.now.revision:
            raise ChangedError("was changed at this desk, on another page", file=self.path)
        self.expect_unchanged()

    def _replace(self, text: str) -> None:
        recipe = _built(text, self.path)
        try:
            with lock.held(self.folder, self.path.name):
                revision = replace_text(self.path, text, digest=self.now.revision)
        except OutputRefusedError as error:
            raise ChangedError("is being saved by another desk", file=self.path) from error
        except RequestError as error:
            if self.changed:  # in the last moment
                raise ChangedError(
                    "was changed on disk after it was loaded here", file=self.path
                ) from error
            raise
        self.now = Loaded(text, revision, recipe)
        self._seen = None


def _loaded(path: Path) -> Loaded:
    found = asked_for(path, MAX_BYTES, missing="there is no such recipe")
    text = decoded(found, path)
    return Loaded(text, _revision(found), _built(text, path))


def _built(text: str, path: Path) -> Recipe:
    data: Any
    data, lines = parse_yaml(text, file=str(path))
    return build(data, lines=lines, file=str(path))


def _revision(found: bytes) -> str:
    return f"xxh128:{xxhash.xxh3_128_hexdigest(found)}"


def _stamp(path: Path) -> tuple[int, ...]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size, found.st_ino, found.st_ctime_ns

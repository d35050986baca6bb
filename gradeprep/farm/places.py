"""Where the folders of a bundle are on this machine.

Two ways to say it: ``NAME=TO`` for a folder that the manifest names (a farm's path mapping fills
in ``TO``), and ``FROM=TO`` for any folder as it was where the bundle was made. Of several that fit
a path, the deepest one decides.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath

from gradeprep.errors import OutputRefusedError, RequestError
from gradeprep.model.bundle import Manifest
from gradeprep.model.shot import ShotDocument, relocate

__all__ = ["Places", "placed", "read_places", "refuse_merged"]


@dataclass(frozen=True, slots=True)
class Places:
    """Folders that are somewhere else here.

    Attributes:
        rules: Folder as the bundle has it, to where it is; the deepest first.
        windows: Whether the bundle's paths are those of Windows.
    """

    rules: tuple[tuple[PurePath, str], ...]
    windows: bool

    def path(self, text: str) -> str:
        """A path of the bundle as it is here."""
        if not self.rules:
            return text
        path = _pure(text, windows=self.windows)
        for folder, here in self.rules:
            if path.is_relative_to(folder):
                return str(Path(here, *path.relative_to(folder).parts))
        return text


def read_places(words: Iterable[str], manifest: Manifest) -> Places:
    """The places that a command line names.

    Args:
        words: Each ``NAME=TO`` or ``FROM=TO``.
        manifest: The bundle's folders.

    Raises:
        RequestError: A word is neither, or nothing of the bundle lies there.
    """
    rules: dict[PurePath, str] = {}
    for word in words:
        found, here = _split(word, manifest)
        rules[_pure(found, windows=manifest.windows)] = str(Path(here).absolute())
    deepest = sorted(rules.items(), key=lambda rule: (-len(rule[0].parts), str(rule[0])))
    moved = any(str(found) != here for found, here in deepest)
    return Places(tuple(deepest) if moved else (), manifest.windows)


def placed(document: ShotDocument, places: Places) -> ShotDocument:
    """A shot's document with every path as it is here."""
    return relocate(document, places.path) if places.rules else document


def refuse_merged(manifest: Manifest, places: Places) -> None:
    """Pass where the places keep plates and results as far apart as they were.

    Raises:
        OutputRefusedError: They lead both to one folder, where a result could hit a source.
    """
    plates, results = (_points(manifest, places, word) for word in ("Plates", "Results"))
    for plate, plate_here in plates.items():
        for result, result_here in results.items():
            if _related(plate, result) or not _related(plate_here, result_here):
                continue
            raise OutputRefusedError(
                f"plates ({plate}) and results ({result}) are led to one folder",
                file=str(result_here),
                key="--map",
                remedy="place them apart; a source is never touched",
            )


def _points(manifest: Manifest, places: Places, word: str) -> dict[PurePath, PurePath]:
    """Folders of one kind, and folders in them that are placed by themselves, to where they are."""
    windows = manifest.windows
    kind = [
        _pure(found, windows=windows)
        for name, found in manifest.folders.items()
        if name.startswith(word)
    ]
    inner = [
        found for found, _ in places.rules if any(found.is_relative_to(folder) for folder in kind)
    ]
    return {found: Path(os.path.realpath(places.path(str(found)))) for found in (*kind, *inner)}


def _related(one: PurePath, other: PurePath) -> bool:
    return one.is_relative_to(other) or other.is_relative_to(one)


def _split(word: str, manifest: Manifest) -> tuple[str, str]:
    """Folder and place; a folder's own name may hold the sign that parts the two."""
    known = {
        _pure(folder, windows=manifest.windows): folder for folder in manifest.folders.values()
    }
    fits = []
    for index, letter in enumerate(word):
        found, here = word[:index], word[index + 1 :]
        if letter != "=" or not found or not here:
            continue
        found = manifest.folders.get(found, found)
        path = _pure(found, windows=manifest.windows)
        if any(path.is_relative_to(one) or one.is_relative_to(path) for one in known):
            fits.append((found, here))
    if not fits:
        raise RequestError(
            f"'{word}' places no folder of the bundle",
            key="--map",
            remedy=f"write FROM=TO; it has {_listed(manifest.folders)}",
        )
    return max(fits, key=lambda fit: len(fit[0]))


def _listed(folders: Mapping[str, str]) -> str:
    return ", ".join(f"{name} ({folder})" for name, folder in folders.items())


def _pure(text: str, *, windows: bool) -> PurePath:
    return PureWindowsPath(text) if windows else PurePosixPath(text)

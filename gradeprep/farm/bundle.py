"""A bundle on disk: a folder with ``bundle.json``, one file a shot, and what a farm is handed.

It appears under its name whole or not at all, is never changed afterwards, and each shot's file
is known by its hash. Two bundles of equal plans hold equal bytes.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from gradeprep.errors import OutputRefusedError, RequestError, WriteError
from gradeprep.model.bundle import Manifest
from gradeprep.model.framerange import FrameRange
from gradeprep.model.shot import ShotDocument
from gradeprep.plates.regular import content

__all__ = ["MANIFEST", "Bundle", "load", "refuse_existing", "save", "text_of"]

MANIFEST = "bundle.json"
_MAX_BYTES = 2**30
_ANEW = "write the bundle again with gradeprep farm"

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Bundle:
    """A bundle that was read.

    Attributes:
        folder: Where it stands.
        manifest: What it holds.
    """

    folder: Path
    manifest: Manifest

    def shot(self, name: str) -> ShotDocument:
        """What is ordered for a shot.

        Raises:
            RequestError: The bundle has no such shot, or its file is not the one that was made.
        """
        mark = self.manifest.shots.get(name)
        if mark is None:
            raise RequestError(
                f"the bundle has no shot '{name}'",
                file=self.folder,
                key="--shot",
                remedy=f"it has {', '.join(self.manifest.shots)}",
            )
        path = self.folder / mark.file
        found = _content(path)
        if hashlib.sha256(found).hexdigest() != mark.sha256:
            raise RequestError("is torn, or was changed by hand", file=path, remedy=_ANEW)
        return _parsed(ShotDocument, found, path)

    def frames(self, name: str) -> FrameRange:
        """Frames of a shot that the bundle has."""
        return FrameRange.parse(self.manifest.shots[name].frames)


def load(folder: Path) -> Bundle:
    """Read a bundle's manifest; shots are read when they are asked for.

    Raises:
        RequestError: It is no bundle, a torn one, or one of another version.
    """
    path = folder / MANIFEST
    if folder.is_dir() and not path.exists():
        raise RequestError(f"has no {MANIFEST}, so it is not a bundle", file=folder, remedy=_ANEW)
    manifest = _parsed(Manifest, _content(path), path)
    return Bundle(folder, manifest)


def refuse_existing(folder: Path) -> None:
    """Pass where nothing has a bundle's name yet.

    Raises:
        OutputRefusedError: Something has.
    """
    if os.path.lexists(folder):
        raise OutputRefusedError(
            "exists already, and a bundle is never changed",
            file=folder,
            remedy="give another name, or remove it once its chunks are done",
        )


def save(folder: Path, files: Mapping[str, bytes], *, programs: frozenset[str]) -> None:
    """Write a bundle: all its files, or nothing.

    Args:
        folder: Its name; the folder it stands in is made where it is missing.
        files: Name in the bundle to content.
        programs: Names of those that can be started.

    Raises:
        OutputRefusedError: The folder exists.
        WriteError: It cannot be written.
    """
    refuse_existing(folder)
    temp = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.tmp")
    try:
        try:
            for name, text in files.items():
                path = temp / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(text)
                if name in programs:
                    path.chmod(path.stat().st_mode | 0o111)
            temp.rename(folder)
        finally:
            shutil.rmtree(temp, ignore_errors=True)
    except OSError as error:
        what = f"the bundle cannot be written: {error.strerror or error}"
        raise WriteError(
            what, file=folder, remedy="check the folder's permissions, or write elsewhere"
        ) from error


def text_of(document: BaseModel) -> bytes:
    """A document's text in the bundle."""
    return (document.model_dump_json(by_alias=True, indent=1) + "\n").encode("utf-8")


def _content(path: Path) -> bytes:
    try:
        return content(path, _MAX_BYTES)
    except FileNotFoundError:
        raise RequestError("is missing", file=path, remedy=_ANEW) from None
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        raise RequestError(what, file=path, remedy=_ANEW) from error


def _parsed(model: type[M], text: bytes, path: Path) -> M:
    try:
        return model.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        at = f" at '{place}'" if place else ""
        what = f"is torn, or of another version{at}: {first['msg'].lower()}"
        raise RequestError(what, file=path, remedy=_ANEW) from error

"""From a plan to the files of a bundle: whole paths, every number decided."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath

from gradeprep.farm import handshake
from gradeprep.farm.bundle import MANIFEST, text_of
from gradeprep.farm.roots import roots
from gradeprep.model.bundle import ChunkOrder, Form, Manifest, RecipeMark, ShotMark
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe
from gradeprep.model.shot import ShotDocument, relocate
from gradeprep.pipeline.planned import Plan
from gradeprep.runners.versions import stages_of, versions

__all__ = ["Frozen", "freeze"]

_ROOTS = {"Plates": 20, "Results": 20, "Colour": 4}
"""Folders that a bundle names, at most: a template may have 50 parameters."""


@dataclass(frozen=True, slots=True)
class Frozen:
    """A plan as a bundle keeps it.

    Attributes:
        manifest: The manifest.
        files: Name in the bundle to content.
    """

    manifest: Manifest
    files: Mapping[str, bytes]


def freeze(
    plan: Plan, recipe: Recipe, file: Path, *, form: Form, chunk: Mapping[str, int]
) -> Frozen:
    """What a bundle keeps of a plan; shots that failed or are blocked are left out.

    Args:
        plan: What was decided.
        recipe: What was asked.
        file: The recipe's file.
        form: What the bundle is written for.
        chunk: Shot to frames in one chunk.
    """
    documents = {
        name: relocate(shot.document, _whole)
        for name, shot in plan.shots.items()
        if not shot.blocked
    }
    files, marks = {}, {}
    for index, (name, document) in enumerate(documents.items(), 1):
        text = text_of(document)
        path = f"shots/{index:04d}.json"
        files[path] = text
        marks[name] = ShotMark(
            file=path,
            sha256=hashlib.sha256(text).hexdigest(),
            frames=str(FrameRange.of(entry.number for entry in document.frames)),
            asked=handshake.asked_digest(recipe, name),
        )
    manifest = Manifest(
        form=form,
        windows=sys.platform == "win32",
        recipe=RecipeMark(file=_whole(file), sha256=handshake.text_digest(file)),
        versions=versions(stages_of(documents.values())),
        folders=_folders(documents.values()),
        shots=marks,
        chunks=tuple(
            ChunkOrder(shot=name, frames=str(frames))
            for name, mark in marks.items()
            for frames in FrameRange.parse(mark.frames).chunks(chunk[name])
        ),
    )
    return Frozen(manifest, {MANIFEST: text_of(manifest), **files})


def _folders(documents: Iterable[ShotDocument]) -> dict[str, str]:
    found: dict[str, set[PurePath]] = {word: set() for word in _ROOTS}
    for document in documents:
        found["Plates"] |= {PurePath(entry.source).parent for entry in document.frames}
        found["Results"].add(PurePath(document.folder))
        colour = document.colour
        named = [*colour.files, *([] if colour.config.startswith("ocio://") else [colour.config])]
        found["Colour"] |= {PurePath(name).parent for name in named}
    return {
        f"{word}{index}": str(folder)
        for word, most in _ROOTS.items()
        for index, folder in enumerate(roots(found[word], most=most), 1)
    }


def _whole(name: str | Path) -> str:
    """The whole path, as a mapping of folders can be laid on it.

    Links stay as they are named, but for one that dots lead out of: there, names alone do not
    say where it goes.
    """
    path = Path(name).absolute()
    return str(Path(os.path.realpath(path.parent), path.name) if ".." in path.parts else path)

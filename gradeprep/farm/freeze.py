"""From a plan to what a bundle keeps of it, and back: whole paths, every number decided."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePath

from gradeprep.farm import alike
from gradeprep.farm.bundle import MANIFEST, text_of
from gradeprep.farm.roots import roots
from gradeprep.model.farmed import ChunkOrder, Form, Manifest, RecipeMark, ShotMark, ShotOrder
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Recipe
from gradeprep.model.record import PlateRecord
from gradeprep.model.task import ColourOrder, FrameOrder
from gradeprep.pipeline.planned import Plan, ShotPlan

__all__ = ["Frozen", "freeze", "order_of", "plan_of"]

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
    orders = {name: order_of(shot) for name, shot in plan.shots.items() if not shot.blocked}
    files, marks = {}, {}
    for index, (name, order) in enumerate(orders.items(), 1):
        text = text_of(order)
        path = f"shots/{index:04d}.json"
        files[path] = text
        marks[name] = ShotMark(
            file=path,
            sha256=hashlib.sha256(text).hexdigest(),
            frames=str(FrameRange.of(frame.number for frame in order.task.frames)),
            asked=alike.asked_digest(recipe, name),
        )
    manifest = Manifest(
        form=form,
        windows=sys.platform == "win32",
        recipe=RecipeMark(file=_whole(file), sha256=alike.text_digest(file)),
        versions=alike.versions(order.task for order in orders.values()),
        folders=_folders(orders.values()),
        shots=marks,
        chunks=tuple(
            ChunkOrder(shot=name, frames=str(frames))
            for name, mark in marks.items()
            for frames in FrameRange.parse(mark.frames).chunks(chunk[name])
        ),
    )
    return Frozen(manifest, {MANIFEST: text_of(manifest), **files})


def order_of(shot: ShotPlan) -> ShotOrder:
    """What a bundle keeps of a shot."""
    task = shot.task
    return ShotOrder(
        task=task.model_copy(
            update={
                "colour": _colour(task.colour),
                "frames": tuple(_frame(frame) for frame in task.frames),
            }
        ),
        source=_plate(shot.source),
        result=_plate(shot.result),
        folder=_whole(shot.folder),
        readings=shot.readings,
        findings=shot.findings,
        reversible=shot.reversible,
        carried=shot.carried,
    )


def plan_of(order: ShotOrder) -> ShotPlan:
    """The plan of a shot as it is on this machine; any of its results may stand by now."""
    folder = Path(order.folder)
    return ShotPlan(
        task=order.task,
        source=order.source,
        result=order.result,
        folder=folder,
        real_folder=os.path.realpath(folder),
        kernels={},
        space_from="",
        readings=order.readings,
        findings=order.findings,
        reversible=order.reversible,
        bytes_needed=0,
        bytes_close=False,
        bytes_free=0,
        existing=tuple(Path(frame.result) for frame in order.task.frames),
        carried=order.carried,
    )


def _folders(orders: Iterable[ShotOrder]) -> dict[str, str]:
    found: dict[str, set[PurePath]] = {word: set() for word in _ROOTS}
    for order in orders:
        found["Plates"] |= {PurePath(frame.source).parent for frame in order.task.frames}
        found["Results"].add(PurePath(order.folder))
        colour = order.task.colour
        named = [*colour.files, *([] if colour.config.startswith("ocio://") else [colour.config])]
        found["Colour"] |= {PurePath(name).parent for name in named}
    return {
        f"{word}{index}": str(folder)
        for word, most in _ROOTS.items()
        for index, folder in enumerate(roots(found[word], most=most), 1)
    }


def _colour(order: ColourOrder) -> ColourOrder:
    config = order.config if order.config.startswith("ocio://") else _whole(order.config)
    files = {_whole(name): digest for name, digest in order.files.items()}
    return order.model_copy(update={"config": config, "files": files})


def _frame(order: FrameOrder) -> FrameOrder:
    return replace(order, source=_whole(order.source), result=_whole(order.result))


def _plate(plate: PlateRecord) -> PlateRecord:
    return plate.model_copy(update={"pattern": _whole(plate.pattern)})


def _whole(told: str | Path) -> str:
    """The whole path, as a mapping of folders can be laid on it.

    Links stay as they are named, but for one that dots lead out of: there, names alone do not
    tell where it goes.
    """
    path = Path(told).absolute()
    return str(Path(os.path.realpath(path.parent), path.name) if ".." in path.parts else path)

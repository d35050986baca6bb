"""What must be the same wherever a bundle's frames are made, so that they all come out alike."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from importlib import metadata
from pathlib import Path

from gradeprep._version import __version__
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.farm.places import Places
from gradeprep.model.farmed import Manifest
from gradeprep.model.recipe import Recipe
from gradeprep.model.task import ARITHMETIC, Task, digest_of
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plugins.registry import installed

__all__ = [
    "asked_digest",
    "refuse_changed_recipe",
    "refuse_other_versions",
    "text_digest",
    "versions",
]

_LIBRARIES = {
    "OpenEXR": "OpenEXR",
    "OpenImageIO": "openimageio",
    "OpenColorIO": "opencolorio",
    "numpy": "numpy",
}
"""Libraries that pixels or bytes of results go through, and the packages that bring them."""


def versions(tasks: Iterable[Task]) -> dict[str, str]:
    """Everything that has a part in the bytes of these tasks' results, with its version."""
    found = {"gradeprep": __version__, "arithmetic": str(ARITHMETIC)}
    for name, package in _LIBRARIES.items():
        found[name] = _version(package)
    names = {order.stage for task in tasks for frame in task.frames for order in frame.stages}
    sources = {one.name: one.source for one in installed().entries if one.kind == "stages"}
    foreign = {name: sources.get(name, "absent") for name in sorted(names)}
    own = f"gradeprep {__version__}"
    return found | {f"stage {name}": told for name, told in foreign.items() if told != own}


def refuse_other_versions(manifest: Manifest, task: Task) -> None:
    """Pass where this machine has the versions that a bundle was made with.

    Raises:
        RequestError: It has others; each is named.
    """
    here = versions((task,))
    other = [
        f"{name} {here[name]} (planned with {planned})"
        for name, planned in manifest.versions.items()
        if name in here and here[name] != planned
    ]
    if other:
        raise RequestError(
            f"this machine has {', '.join(other)}",
            remedy="install the planned versions here, or make the bundle anew with these",
        )


def asked_digest(recipe: Recipe, name: str) -> str:
    """Hash of what a recipe asks of one shot, however it is written down."""
    shot = recipe.shots[name]
    told = {
        "colour": recipe.colour.model_dump(mode="json"),
        "plate": shot.plate,
        "frames": str(shot.frames),
        "space": [shot.space, shot.any_space],
        "layers": shot.layers,
        "stages": [[ask.stage, ask.params.model_dump(mode="json")] for ask in shot.stages],
        "order": shot.order,
        "checks": {check: asked.model_dump(mode="json") for check, asked in shot.checks.items()},
        "output": shot.output.model_dump(mode="json"),
        "policy": [shot.nonfinite, shot.again],
        "carried": shot.carried,
    }
    return digest_of(json.loads(json.dumps(told, default=str)))


def refuse_changed_recipe(manifest: Manifest, names: Iterable[str], places: Places) -> None:
    """Pass where the recipe still asks for these shots what the bundle orders.

    A recipe that cannot be reached from here says nothing. One of which only the wording changed,
    or other shots did, asks the same.

    Raises:
        RequestError: It asks something else by now, or cannot be read as a recipe any more.
    """
    file = Path(places.path(manifest.recipe.file))
    if not file.is_file() or text_digest(file) == manifest.recipe.sha256:
        return
    try:
        recipe: Recipe | None = read_recipe(file)
    except GradeprepError:
        recipe = None
    for name in names:
        asked = asked_digest(recipe, name) if recipe and name in recipe.shots else ""
        if asked != manifest.shots[name].asked:
            raise RequestError(
                "the recipe was changed after the bundle was made",
                shot=name,
                file=file,
                remedy="make the bundle anew, or bring the recipe back",
            )


def text_digest(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    return hashlib.sha256(file.read_bytes()).hexdigest()


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "absent"

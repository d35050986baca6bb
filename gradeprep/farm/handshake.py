"""What must be the same wherever a bundle's frames are made, so that they all come out alike."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from gradeprep.errors import GradeprepError, RequestError
from gradeprep.farm.places import Places
from gradeprep.model.bundle import Manifest
from gradeprep.model.order import digest_of
from gradeprep.model.recipe import Recipe
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners.versions import differing, stages_of

__all__ = ["asked_digest", "refuse_changed_recipe", "refuse_other_versions", "text_digest"]


def refuse_other_versions(manifest: Manifest, document: ShotDocument) -> None:
    """Pass where this machine has the versions that a bundle was made with.

    Raises:
        RequestError: It has others; each is named.
    """
    used = {f"stage {name}" for name in stages_of((document,))}
    planned = manifest.versions.items()
    other = differing({n: v for n, v in planned if n in used or not n.startswith("stage ")})
    if other:
        raise RequestError(
            f"this machine has {', '.join(other)}",
            remedy="install the planned versions here, or make the bundle again with these",
        )


def asked_digest(recipe: Recipe, name: str) -> str:
    """Hash of what a recipe asks of one shot, however it is written down."""
    shot = recipe.shots[name]
    data = {
        "colour": recipe.colour.model_dump(mode="json"),
        "plate": shot.plate,
        "frames": str(shot.frames),
        "space": [shot.space, shot.any_space],
        "layers": shot.layers,
        "stages": [[ask.stage, ask.params.model_dump(mode="json")] for ask in shot.stages],
        "order": shot.order,
        "checks": {check: asked.model_dump(mode="json") for check, asked in shot.checks.items()},
        "output": shot.output.model_dump(mode="json"),
        "policy": [shot.nonfinite, shot.allow_pulled],
        "carried": shot.carried,
    }
    return digest_of(json.loads(json.dumps(data, default=str)))


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
                remedy="create the bundle again, or restore the recipe",
            )


def text_digest(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    return hashlib.sha256(file.read_bytes()).hexdigest()

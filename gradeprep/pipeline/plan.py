"""From recipe, disk and config to tasks: every decision made once, for every frame, here.

The named steps, in order: choose the config; for each shot look at its plate (`survey`), name its
spaces, settle its stages (`stagenumbers`, where meters run), place its results (`target`), run its
checks, and write the orders (`shotplan`). `planner` finds out what a step needs when it is first
needed, for a meter may look at another shot. A shot whose plate is bad is set aside with its
error and the others go on; a wrong request stops everything before anything is touched.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from gradeprep import colour, sidecar
from gradeprep.errors import GradeprepError, OutputRefusedError, PlateError, RequestError
from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.planned import Options, Plan, ShotPlan
from gradeprep.pipeline.planner import Planner
from gradeprep.pipeline.shotplan import plan_shot
from gradeprep.pipeline.stagenumbers import StageNumbers
from gradeprep.pipeline.view import View
from gradeprep.plates import atomic

__all__ = ["make_plan", "open_config", "open_settled", "open_views"]


def make_plan(
    recipe: Recipe, folder: Path, options: Options, *, shots: Collection[str] | None = None
) -> Plan:
    """Decide everything for every frame; reads plates, writes nothing.

    Args:
        recipe: What is asked.
        folder: Where the recipe stands; its relative paths start there.
        options: What the command line says over it.
        shots: Plan only these; their meters may still look at the others. All when left out.

    Raises:
        RequestError: The request is wrong; nothing was touched.
    """
    planner, who = _planner(recipe, folder, options)
    planned: dict[str, ShotPlan] = {}
    failed: dict[str, GradeprepError] = {}
    for shot in recipe.shots if shots is None else shots:
        try:
            planned[shot] = plan_shot(planner.shot(shot))
        except PlateError as error:
            failed[shot] = error.at(shot=shot)
        except GradeprepError as error:
            raise error.at(shot=shot) from error
    _no_two_write_one(planned)
    _no_result_is_a_source(planned)
    return Plan((planner.config.name, who), planned, failed)


def open_views(recipe: Recipe, folder: Path, options: Options) -> Callable[[str], View]:
    """What gives the view of a shot's plate, looked for on disk when it is first asked for.

    Raises:
        RequestError: The request is wrong.
    """
    planner, _ = _planner(recipe, folder, options)
    return lambda shot: planner.shot(shot).view


def open_settled(recipe: Recipe, folder: Path, options: Options) -> Callable[[str], StageNumbers]:
    """What gives a shot's stages with every number known; its meters run when it is asked for.

    Raises:
        RequestError: The request is wrong.
    """
    planner, _ = _planner(recipe, folder, options)
    return lambda shot: planner.shot(shot).settled


def open_config(recipe: Recipe, folder: Path, options: Options) -> tuple[colour.Colour, str]:
    """The config that serves a recipe, and who named it.

    Raises:
        ColourError: It is missing or broken.
    """
    name, who = colour.choose_config(recipe.colour.config, options.config)
    if who == "recipe" and not name.startswith("ocio://"):
        name = str(folder / name)
    return colour.load(name, recipe.colour.context), who


def _planner(recipe: Recipe, folder: Path, options: Options) -> tuple[Planner, str]:
    config, who = open_config(recipe, folder, options)
    return Planner(recipe, folder, options, config), who


def _no_two_write_one(shots: Mapping[str, ShotPlan]) -> None:
    """Names that differ by case or by Unicode form alone are one file on many disks."""
    folders = {name: _folded(shot.real_folder) for name, shot in shots.items()}
    shared = Counter(folders.values())
    owner: dict[tuple[str, str], str] = {}
    for name, shot in shots.items():
        folder = folders[name]
        if shared[folder] == 1:  # no shot writes one name twice
            continue
        beside = str(sidecar.path_for(shot.folder, name))
        for file in (beside, *(entry.result for entry in shot.document.frames)):
            other = owner.setdefault((folder, _folded(Path(file).name)), name)
            if other != name:
                raise RequestError(
                    f"shots {other} and {name} would both write this file",
                    file=file,
                    key="output.plate",
                    remedy="put {shot} into the output, or give them names that differ by more "
                    "than case",
                )


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _no_result_is_a_source(shots: Mapping[str, ShotPlan]) -> None:
    """No shot may write over another's plate, by whatever path or link it gets there."""
    if not any(shot.existing for shot in shots.values()):
        return
    sources = {
        atomic.identity(Path(entry.source)): name
        for name, shot in shots.items()
        for entry in shot.document.frames
    }
    for name, shot in shots.items():
        for path in shot.existing:
            file = atomic.identity(path)
            other = sources.get(file)
            if file is not None and other is not None:
                raise OutputRefusedError(
                    f"the output is a source, of shot {other}",
                    shot=name,
                    file=path,
                    remedy="write to another folder; a source is never touched",
                )

"""What there is to hand over: the decisions in sidecars."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import RequestError, SidecarError
from gradeprep.model.order import StageOrder
from gradeprep.model.recipe import Recipe
from gradeprep.plates.sequence import Pattern
from gradeprep.plugins.calling import calling
from gradeprep.plugins.contracts import Decided
from gradeprep.plugins.registry import installed

__all__ = ["decided", "of_recipe", "of_sidecars"]


def of_sidecars(paths: Sequence[Path]) -> list[Decided]:
    """The decisions of some sidecars, in their order.

    Raises:
        SidecarError: One cannot be read.
        RequestError: Two of them describe shots of one name.
    """
    found = [decided(path) for path in paths]
    there: dict[str, Path] = {}
    for one in found:
        name = one.record.shot
        if name in there:
            raise RequestError(
                f"{there[name]} also describes a shot '{name}'",
                file=one.sidecar,
                remedy="hand them over one by one, each to its own folder",
            )
        there[name] = one.sidecar
    return found


def of_recipe(recipe: Recipe, folder: Path) -> list[Decided]:
    """The decisions on the shots of a recipe that was run.

    Args:
        recipe: The recipe.
        folder: Where it stands.

    Raises:
        SidecarError: A shot has no sidecar, or one that cannot be read.
        RequestError: A shot's results have no name.
    """
    return of_sidecars([_sidecar(recipe, name, folder) for name in recipe.shots])


def _sidecar(recipe: Recipe, name: str, folder: Path) -> Path:
    plate = recipe.shots[name].output.plate
    if plate is None:
        raise RequestError("the recipe writes no result", shot=name, key="output.plate")
    results = Pattern.parse(folder / plate.replace("{shot}", name)).folder
    path = sidecar.path_for(results, name)
    if not path.exists():
        raise SidecarError(
            "no such sidecar: the shot was not run",
            shot=name,
            file=path,
            remedy="run the recipe first, or leave the shot out with --shot",
        )
    return path


def decided(path: Path) -> Decided:
    """The decision in a sidecar, with the gains that its stages amount to.

    Raises:
        SidecarError: It cannot be read.
        PluginError: A stage of it is not installed.
    """
    record = sidecar.load(path)
    gains: dict[int, tuple[float, float, float]] = {}
    beyond: dict[str, None] = {}
    for frame in record.frames:
        red, green, blue = 1.0, 1.0, 1.0
        for order in frame.stages:
            factor = _gains(order)
            if factor is None:
                beyond[order.stage] = None
            else:
                red, green, blue = red * factor[0], green * factor[1], blue * factor[2]
        gains[frame.number] = (red, green, blue)
    return Decided(record, path, gains, tuple(beyond))


def _gains(order: StageOrder) -> tuple[float, float, float] | None:
    plugin = installed().get("stages", order.stage)
    with calling("stages", order.stage):
        found: tuple[float, float, float] | None = plugin.gains(order.numbers)
    return found

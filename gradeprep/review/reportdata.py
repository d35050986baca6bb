"""What there is to report: shots from their sidecars, and those that are planned and not run yet.

Both come as one kind of data, so that a page shows them alike and marks which is which. Nothing is
decoded here and nothing is made up: every number stands in a sidecar or in a plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from gradeprep import sidecar
from gradeprep.errors import GradeprepError, RequestError, SidecarError
from gradeprep.model.recipe import Recipe
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options, Plan
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plates.sequence import Pattern

__all__ = ["ReportShot", "gather"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportShot:
    """One shot of the report.

    Attributes:
        name: Name of the shot.
        state: ``done`` (its sidecar describes it), ``planned`` (decided, not run), or ``refused``
            (no plan could be made, or a check stops it).
        origin: The sidecar or recipe that describes it.
        document: Everything decided, and done; None where no plan could be made.
        refusal: Why it is refused, in one line.
    """

    name: str
    state: Literal["done", "planned", "refused"]
    origin: Path
    document: ShotDocument | None = None
    refusal: str = ""


def gather(
    sources: Sequence[Path], *, config: str | None = None, shots: Sequence[str] = ()
) -> list[ReportShot]:
    """The shots of some sidecars and recipes, in the order they are named.

    A recipe's shots come from their sidecars where they were run, and from a plan otherwise.

    Args:
        sources: Files named ``*.stops.json``, and recipes.
        config: Config for a plan where its recipe names none.
        shots: Only these shots of the recipes.

    Raises:
        SidecarError: One cannot be read.
        RequestError: A recipe is wrong, or has no shot of that name.
    """
    found: dict[Path, ReportShot] = {}
    for path in dict.fromkeys(sources):
        if path.name.endswith(sidecar.SUFFIX):
            found.setdefault(path.resolve(), _from_sidecar(path))
            continue
        for one in _from_recipe(path, config, shots):
            place = path.resolve() / one.name if one.state != "done" else one.origin.resolve()
            found.setdefault(place, one)
    return list(found.values())


def _from_recipe(path: Path, config: str | None, shots: Sequence[str]) -> Iterator[ReportShot]:
    if path.suffix == ".json" and path.is_file():
        raise SidecarError(
            f"is no sidecar by its name (*{sidecar.SUFFIX})",
            file=path,
            remedy="give sidecars, or recipes in YAML",
        )
    recipe = read_recipe(path)
    names = _wanted(recipe, shots, path)
    beside = {name: _sidecar(recipe, name, path.parent) for name in names}
    waiting = [name for name in names if beside[name] is None]
    planned = dict(_planned(recipe, path, waiting, config)) if waiting else {}
    for name in names:
        there = beside[name]
        yield planned[name] if there is None else _from_sidecar(there)


def _wanted(recipe: Recipe, shots: Sequence[str], path: Path) -> list[str]:
    for name in shots:
        if name not in recipe.shots:
            raise RequestError(
                f"the recipe has no shot '{name}'",
                file=path,
                key="--shot",
                remedy=f"it has {', '.join(recipe.shots)}",
            )
    return [name for name in recipe.shots if not shots or name in shots]


def _sidecar(recipe: Recipe, name: str, folder: Path) -> Path | None:
    """The sidecar of a shot that was run."""
    plate = recipe.shots[name].output.plate
    if plate is None:
        return None
    path = sidecar.path_for(Pattern.parse(folder / plate.replace("{shot}", name)).folder, name)
    return path if path.exists() else None


def _planned(
    recipe: Recipe, path: Path, names: Sequence[str], config: str | None
) -> Iterator[tuple[str, ReportShot]]:
    """A plan of all of them together; one by one where something is wrong with one of them."""
    options = Options(config=config, overwrite=True)
    try:
        plans = [make_plan(recipe, path.parent, options, shots=names)]
    except GradeprepError:
        plans = []
        for name in names:
            try:
                plans.append(make_plan(recipe, path.parent, options, shots=[name]))
            except GradeprepError as error:
                text = str(error.at(shot=name))
                yield name, ReportShot(name=name, state="refused", origin=path, refusal=text)
    for plan in plans:
        yield from _of_plan(plan, path)


def _of_plan(plan: Plan, path: Path) -> Iterator[tuple[str, ReportShot]]:
    for name, error in plan.failed.items():
        yield name, ReportShot(name=name, state="refused", origin=path, refusal=str(error))
    for name, shot in plan.shots.items():
        stopped = shot.blocked[0].line if shot.blocked else ""
        yield (
            name,
            ReportShot(
                name=name,
                state="refused" if stopped else "planned",
                origin=path,
                document=shot.document,
                refusal=stopped,
            ),
        )


def _from_sidecar(path: Path) -> ReportShot:
    document = sidecar.load(path)
    return ReportShot(name=document.shot, state="done", origin=path, document=document)

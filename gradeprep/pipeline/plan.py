"""From recipe, disk and config to tasks: every decision made once, for every frame, here.

The named steps, in order: choose the config; for each shot look at its plate (`survey`), name its
spaces, settle its stages (`settle`, where meters run), place its results (`target`), run its
checks, and write the orders. A shot whose plate is bad is set aside with its error and the others
go on; a wrong request stops everything before anything is touched.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from itertools import groupby, repeat
from pathlib import Path
from typing import Any

import numpy as np

from gradeprep import colour, showlook
from gradeprep.errors import (
    AlreadyPulledError,
    CannotCarryError,
    ColourError,
    GradeprepError,
    OutputRefusedError,
    PlateError,
    RequestError,
)
from gradeprep.model.recipe import Recipe, Shot
from gradeprep.model.record import PlateRecord
from gradeprep.model.task import (
    ARITHMETIC,
    ColourOrder,
    FrameOrder,
    FrameOrders,
    LookOrder,
    OutputOrder,
    Stages,
    Task,
    digest_of,
)
from gradeprep.pipeline import kernels, notes, target
from gradeprep.pipeline.checking import run_checks
from gradeprep.pipeline.decision import Decision, prepare
from gradeprep.pipeline.planned import Options, Plan, ShotPlan
from gradeprep.pipeline.reversible import reversible
from gradeprep.pipeline.settle import Settled, check_order, settle
from gradeprep.pipeline.survey import Survey, survey
from gradeprep.pipeline.types import kernel_type
from gradeprep.pipeline.view import View
from gradeprep.plates import atomic
from gradeprep.plugins.contracts import Pixels, PlateView
from gradeprep.plugins.registry import installed

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
            planned[shot] = planner.shot(shot).plan()
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


def open_settled(recipe: Recipe, folder: Path, options: Options) -> Callable[[str], Settled]:
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


def _planner(recipe: Recipe, folder: Path, options: Options) -> tuple[_Planner, str]:
    config, who = open_config(recipe, folder, options)
    return _Planner(recipe, folder, options, config), who


def _no_two_write_one(shots: Mapping[str, ShotPlan]) -> None:
    folders = Counter(os.path.realpath(shot.folder) for shot in shots.values())
    owner: dict[tuple[str, str], str] = {}
    for name, shot in shots.items():
        folder = os.path.realpath(shot.folder)
        if folders[folder] == 1:  # no shot writes one name twice
            continue
        for order in shot.task.frames:
            other = owner.setdefault((folder, Path(order.result).name), name)
            if other != name:
                raise RequestError(
                    f"shots {other} and {name} would both write this file",
                    file=order.result,
                    key="output.plate",
                    remedy="put {shot} into the output",
                )


def _no_result_is_a_source(shots: Mapping[str, ShotPlan]) -> None:
    """No shot may write over another's plate, by whatever path or link it gets there."""
    if not any(shot.existing for shot in shots.values()):
        return
    sources = {
        atomic.identity(Path(order.source)): name
        for name, shot in shots.items()
        for order in shot.task.frames
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


class _Planner:
    """What the shots of a recipe share, and each shot's planner, made once."""

    def __init__(
        self, recipe: Recipe, folder: Path, options: Options, config: colour.Colour
    ) -> None:
        self.recipe = recipe
        self.folder = folder
        self.options = options
        self.config = config
        self.working = config.guard_working(recipe.colour.working)
        self._shots: dict[str, _ShotPlanner] = {}

    def shot(self, name: str) -> _ShotPlanner:
        if name not in self._shots:
            shot = self.recipe.shots[name]
            if self.options.frames is not None:
                shot = replace(shot, frames=self.options.frames)
            self._shots[name] = _ShotPlanner(self, shot)
        return self._shots[name]

    @cached_property
    def weights(self) -> tuple[float, float, float]:
        return self.config.weights(self.working)

    @cached_property
    def look(self) -> LookOrder | None:
        """The show's look, proved to build."""
        ask = self.recipe.colour.look
        if ask is None:
            return None
        return showlook.find(self.config, self.working, ask, self.folder)


class _ShotPlanner:
    """Plans one shot; each step is made when the next one asks for it, and only once."""

    def __init__(self, owner: _Planner, shot: Shot) -> None:
        self.owner = owner
        self.ask = shot
        self.config = owner.config
        self._settling = False

    @cached_property
    def found(self) -> Survey:
        return survey(self.ask, self.owner.folder)

    @cached_property
    def space(self) -> tuple[str, str]:
        """The source's space and who named it."""
        path = self.found.sequence.path(self.found.frames.first)
        if self.ask.space is not None:
            name, who = self.ask.space, "named"
        else:
            ruled = self.config.by_rule(path)
            if ruled is None:
                raise ColourError(
                    "nobody says which colour space this plate is in",
                    file=path,
                    key="space",
                    remedy="name the space the camera recorded; no default is ever assumed",
                )
            name, who = ruled, "by the config's file rule"
        guarded = self.config.guard_plate(name, any_space=self.ask.any_space, key="space")
        return guarded, who

    @cached_property
    def settled(self) -> Settled:
        if self._settling:
            raise RequestError(
                "shots wait for each other's readings in a circle",
                shot=self.ask.name,
                key="stages",
                remedy="give one of them its stops",
            )
        self._settling = True
        check_order(self.ask)
        return settle(self.ask, self.view)

    @cached_property
    def view(self) -> View:
        return View(
            shot=self.ask.name,
            found=self.found,
            folder=self.owner.folder,
            space=self.space[0],
            working=self.owner.working,
            colour=self.config,
            decided=self._decided,
            stages=self._staged,
            stored=self._stored,
            others=self._other,
        )

    def _staged(self, frame: int, pixels: Pixels) -> Pixels:
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            return prepare(self.settled.orders(frame), self.owner.weights).apply(pixels)

    def _stored(self, pixels: Pixels) -> Pixels:
        """Encoded, rounded to the result's type, and decoded again."""
        order, output = self._decided_output
        kind = self.found.type if output.type == "source" else output.type
        return kernels.stored(
            pixels,
            kernel_type(kind),
            encode=self.config.convert(order.working, order.result),
            decode=self.config.convert(order.result, order.working),
        )

    @cached_property
    def _decided_output(self) -> tuple[ColourOrder, OutputOrder]:
        """What would be written; of the source's kind where nothing is to be written."""
        if self.ask.output.plate is None:
            output = OutputOrder(format="exr", type="source", compression="source")
        else:
            place = target.place(self.ask, self.found, self.owner.folder)
            output = target.order_output(self.ask, self.found, place)
        return self._colour(output), output

    def _decided(self, frame: int) -> float:
        return 0.0 if self._settling and "settled" not in vars(self) else self._exposure(frame)

    def _exposure(self, frame: int) -> float:
        return self.settled.exposure(frame)

    def _other(self, name: str) -> PlateView:
        if name not in self.owner.recipe.shots:
            known = ", ".join(self.owner.recipe.shots)
            raise ValueError(f"the recipe has no shot '{name}'; it has {known}")
        other = self.owner.shot(name)
        _ = other.settled  # decided first, so that a circle is told as one
        return other.view

    def plan(self) -> ShotPlan:
        ask, found = self.ask, self.found
        place = target.place(ask, found, self.owner.folder)
        order, output = self._decided_output
        self._not_pulled_before()
        digest = self._digest(order, output)
        stages = tuple(map(self.settled.orders, found.frames))
        frames = FrameOrders(found.frames.numbers, stages, self._orders(place))
        decisions = list(self._decisions(stages))
        used = [self._kernel(decision, order, output) for decision in decisions]
        self._carriable(decisions, used)
        needed, close = target.bytes_needed(found, output)
        free = target.free_disk(place.folder)
        self._existing(place)
        self._fits(place, needed, close=close, free=free)
        task = Task(
            shot=ask.name,
            digest=digest,
            kernel=used[0],
            colour=order,
            layers=found.layers,
            nonfinite=ask.nonfinite,
            output=output,
            frames=frames,
        )
        return ShotPlan(
            task=task,
            source=_plate(str(found.sequence.pattern), found),
            result=_plate(
                str(place.pattern),
                found,
                format=output.format,
                type=found.type if output.type == "source" else output.type,
                compression=output.compression,
            ),
            folder=place.folder,
            real_folder=os.path.realpath(place.folder),
            kernels={name: used.count(name) for name in kernels.KERNELS if name in used},
            space_from=self.space[1],
            readings=self.settled.readings,
            findings=(*notes.notes(found, output, used), *run_checks(self.view, self.ask.checks)),
            reversible=reversible(decisions, used, found, order, output),
            bytes_needed=needed,
            bytes_close=close,
            bytes_free=free,
            existing=place.existing,
            carried=ask.carried,
        )

    def _colour(self, output: OutputOrder) -> ColourOrder:
        """Spaces, with every processor built and every file and variable resolved."""
        source = self.space[0]
        asked = self.ask.output.space
        if output.container == "aces":
            interchange = self.config.space("aces_interchange", key="output.container")
            if asked not in ("source", interchange):
                raise RequestError(
                    f"an ACES container holds '{interchange}', not '{asked}'",
                    key="output.space",
                    remedy="leave output.space out",
                )
            result = interchange
        elif asked == "source":
            result = source
        else:
            result = self.config.guard_plate(
                asked, any_space=self.ask.any_space, key="output.space"
            )
        working = self.owner.working
        self.config.convert(source, working)
        self.config.convert(working, result)
        return ColourOrder(
            config=self.config.name,
            sha256=self.config.sha256,
            context=self.config.context(),
            working=working,
            source=source,
            result=result,
            files={**self.config.files(source, working), **self.config.files(working, result)},
            look=self.owner.look,
        )

    def _not_pulled_before(self) -> None:
        if self.ask.again or not self.found.pulled:
            return
        number, (stops, _) = next(iter(self.found.pulled.items()))
        raise AlreadyPulledError(
            f"says that it was pulled by {stops:+g} stops already",
            frame=number,
            file=self.found.sequence.path(number),
            remedy="take the original plate, or say --again (again: true) to pull once more",
        )

    def _digest(self, order: ColourOrder, output: OutputOrder) -> str:
        """Hash of what decides the pixels; where the files lie does not."""
        told = order.model_dump(exclude={"config", "look"})
        told["files"] = sorted(order.files.values())
        return digest_of(
            {
                "arithmetic": ARITHMETIC,
                "colour": told,
                "stages": self.settled.told(),
                "layers": self.found.layers,
                "nonfinite": self.ask.nonfinite,
                "output": output.model_dump(),
                **self._guests(),
            }
        )

    def _guests(self) -> dict[str, Any]:
        """Stages of other packages, with the version of each: another one may decide otherwise."""
        names = sorted({ask.stage for ask in self.ask.stages})
        sources = {name: installed().source("stages", name) for name in names}
        guests = {name: told for name, told in sources.items() if told.split()[0] != "gradeprep"}
        return {"guests": guests} if guests else {}

    def _orders(self, place: target.Target) -> Callable[[int, Stages], FrameOrder]:
        sequence, before = self.found.sequence, self.found.pulled

        def order(number: int, stages: Stages) -> FrameOrder:
            pulled, history = before.get(number, (0.0, ()))
            return FrameOrder(
                number=number,
                source=str(sequence.path(number)),
                result=str(place.pattern.path(number)),
                stages=stages,
                pulled=pulled,
                history=history,
            )

        return order

    def _decisions(self, of_frames: Iterable[Stages]) -> Iterator[Decision]:
        """The decision of every frame; neighbours of equal stages share one."""
        for stages, same in groupby(of_frames):
            yield from repeat(self._decision(stages), sum(1 for _ in same))

    def _decision(self, stages: Stages) -> Decision:
        plain = prepare(stages, (0.0, 1.0, 0.0)).asked()  # a gain needs no luminance
        return plain if plain.gains is not None else prepare(stages, self.owner.weights)

    def _kernel(self, decision: Decision, order: ColourOrder, output: OutputOrder) -> str:
        source = kernel_type(self.found.type)
        return kernels.choose(
            decision,
            same_space=order.source == order.result,
            linear=self.config.is_linear(order.source),
            working=order.source == order.working,
            source=source,
            wanted=source if output.type == "source" else kernel_type(output.type),
            curve=self.config.curve(order.source, order.working) is not None,
            to_linear=self.config.to_linear(order.source, order.result) is not None,
        )

    def _carriable(self, decisions: list[Decision], used: list[str]) -> None:
        """Refuse what the plate's channels cannot be asked for."""
        if all(name == "carry" for name in used):
            return
        problem = _unfit(self.found, decisions, used)
        if problem:
            raise CannotCarryError(
                problem[0],
                file=self.found.sequence.path(self.found.frames.first),
                remedy=problem[1],
            )

    def _existing(self, place: target.Target) -> None:
        if not place.existing or self.owner.options.overwrite or self.owner.options.resume:
            return
        count = len(place.existing)
        others = f" and {count - 1} more" if count > 1 else ""
        raise OutputRefusedError(
            f"exists already{others}",
            file=place.existing[0],
            remedy="say --overwrite, or --resume to keep what is right",
        )

    def _fits(self, place: target.Target, needed: int, *, close: bool, free: int) -> None:
        if close and needed > free + sum(path.stat().st_size for path in place.existing):
            raise OutputRefusedError(
                f"no room: the results need about {needed / 1e6:.1f} MB, "
                f"{free / 1e6:.1f} MB are free",
                file=place.folder,
                remedy="free some disk, or write somewhere else",
            )


_WHOLE = {"tone-gain", "code-table", "curve", "light"}
"""Kernels that need all of R, G and B, or a luminance."""


def _unfit(found: Survey, decisions: list[Decision], used: list[str]) -> tuple[str, str] | None:
    """What is wrong and what to do, when the plate's channels cannot take the stages."""
    if not found.groups:
        return (
            "has no colour channels (R, G, B or Y), so there is nothing to pull",
            "name the layer that is colour with layers",
        )
    if found.type == "uint32":
        return (
            "its colour channels are unsigned integers, which hold no scene light",
            "convert the plate to half or float",
        )
    kinds = {group.kind for group in found.groups}
    if "some" in kinds and not _WHOLE.isdisjoint(used):
        names = ", ".join(n for group in found.groups for n in group.names)
        return (
            f"has only {names}; a lift or a colour conversion needs R, G and B",
            "pull it in a scene-linear space",
        )
    scalar = all(d.scalar or d.gains is None for d in decisions)
    if "luma" in kinds and not scalar:
        return ("is luminance only, so it has no balance", "leave the balance out")
    return None


def _plate(
    pattern: str,
    found: Survey,
    *,
    format: str = "",
    type: str = "",
    compression: str = "source",
) -> PlateRecord:
    own = found.first.parts[0].compression
    return PlateRecord(
        pattern=pattern,
        frames=str(found.frames),
        format=format or found.first.format,
        type=type or found.type,
        compression=own if compression == "source" else compression,
        timecode=_timecodes(found),
        rate=found.first.rate,
    )


def _timecodes(found: Survey) -> tuple[str, str] | None:
    first = found.layouts[found.frames.first].timecode
    last = found.layouts[found.frames.last].timecode
    return None if first is None or last is None else (first, last)

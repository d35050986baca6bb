"""What is known of a recipe's shots, each thing found out when it is first asked for.

A shot's plate, space, readings and view depend on each other, and on other shots' where a meter
compares two: so nothing here has an order, and a circular reference is reported.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np

from gradeprep import colour, showlook
from gradeprep.errors import ColourError, RequestError
from gradeprep.model.order import ColourOrder, LookOrder, OutputOrder
from gradeprep.model.recipe import Recipe, Shot
from gradeprep.pipeline import kernels, target
from gradeprep.pipeline.decision import prepare
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.stagenumbers import StageNumbers, check_order, settle
from gradeprep.pipeline.survey import Survey, survey
from gradeprep.pipeline.types import kernel_type
from gradeprep.pipeline.view import View
from gradeprep.plates import formats
from gradeprep.plugins.contracts import Pixels, PlateView

__all__ = ["Planner", "ShotPlanner"]


class Planner:
    """What the shots of a recipe share, and each shot's planner, made once."""

    def __init__(
        self, recipe: Recipe, folder: Path, options: Options, config: colour.Colour
    ) -> None:
        self.recipe = recipe
        self.folder = folder
        self.options = options
        self.config = config
        self.working = config.guard_working(recipe.colour.working)
        self._shots: dict[str, ShotPlanner] = {}

    def shot(self, name: str) -> ShotPlanner:
        """The planner of one shot."""
        if name not in self._shots:
            shot = self.recipe.shots[name]
            if self.options.frames is not None:
                shot = replace(shot, frames=self.options.frames)
            self._shots[name] = ShotPlanner(self, shot)
        return self._shots[name]

    @cached_property
    def weights(self) -> tuple[float, float, float]:
        """Luminance weights of the working space."""
        return self.config.weights(self.working)

    @cached_property
    def look(self) -> LookOrder | None:
        """The show's look, proved to build."""
        ask = self.recipe.colour.look
        if ask is None:
            return None
        return showlook.find(self.config, self.working, ask, self.folder)


class ShotPlanner:
    """What is known of one shot; each thing is found out once."""

    def __init__(self, owner: Planner, shot: Shot) -> None:
        self.owner = owner
        self.ask = shot
        self.config = owner.config
        self._settling = False

    @cached_property
    def found(self) -> Survey:
        """The plate, as it stands on disk."""
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
                    "no input colour space given",
                    file=path,
                    key="space",
                    remedy="name it with --space or space:",
                )
            name, who = ruled, "by the config's file rule"
        guarded = self.config.guard_plate(name, any_space=self.ask.any_space, key="space")
        return guarded, who

    @cached_property
    def settled(self) -> StageNumbers:
        """The stages with every number known; meters run here."""
        if self._settling:
            raise RequestError(
                "circular reference between shots",
                shot=self.ask.name,
                key="stages",
                remedy="give one of them its stops as a number",
            )
        self._settling = True
        check_order(self.ask)
        return settle(self.ask, self.view)

    @cached_property
    def view(self) -> View:
        """The plate, as meters and checks see it."""
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
        order, output = self.output
        kind = self.found.type if output.type == "source" else output.type
        return kernels.stored(
            pixels,
            kernel_type(kind),
            encode=self.config.convert(order.working, order.result),
            decode=self.config.convert(order.result, order.working),
        )

    @cached_property
    def output(self) -> tuple[ColourOrder, OutputOrder]:
        """What would be written; of the source's kind where nothing is to be written."""
        if self.ask.output.plate is None:
            output = OutputOrder(format=formats.DEFAULT, type="source", compression="source")
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
        _ = other.settled  # decided first, so that a circular reference is reported
        return other.view

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

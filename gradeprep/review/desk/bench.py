"""A recipe at hand: its config, its working space, and the ways to a screen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import PyOpenColorIO as ocio

from gradeprep import looks, showlook
from gradeprep.colour import Colour
from gradeprep.model.order import LookOrder
from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.plan import open_config
from gradeprep.pipeline.planned import Options
from gradeprep.review.screen import Screen, screen

__all__ = ["Bench"]


@dataclass(frozen=True)
class Bench:
    """What the shots of one recipe share.

    Attributes:
        recipe: What is asked.
        folder: Where the recipe stands.
        colour: The config.
        working: The working space.
        look: The show's look, if the recipe names one.
    """

    recipe: Recipe
    folder: Path
    colour: Colour
    working: str
    look: LookOrder | None

    @classmethod
    def of(cls, recipe: Recipe, folder: Path, config: str | None) -> Bench:
        """The bench of a recipe.

        Raises:
            ColourError: The config, the working space or the show's look is missing or broken.
        """
        colour, _ = open_config(recipe, folder, Options(config))
        working = colour.guard_working(recipe.colour.working)
        ask = recipe.colour.look
        look = None if ask is None else showlook.find(colour, working, ask, folder)
        return cls(recipe, folder, colour, working, look)

    @cached_property
    def weights(self) -> tuple[float, float, float]:
        """Luminance weights of the working space."""
        return self.colour.weights(self.working)

    @cached_property
    def views(self) -> Mapping[str, tuple[str, ...]]:
        """Display to the views of it that show a picture; the config's default display first."""
        config = self.colour.config
        first = str(config.getDefaultDisplay())
        others = (str(name) for name in config.getDisplays() if str(name) != first)
        found = {
            name: tuple(str(view) for view in config.getViews(name) if self._shows(name, str(view)))
            for name in (first, *others)
        }
        return {name: views for name, views in found.items() if views}

    def _shows(self, display: str, view: str) -> bool:
        space = self.colour.config.getColorSpace(
            self.colour.config.getDisplayViewColorSpaceName(display, view)
        )
        return space is None or not space.isData()

    def screen(self, display: str, view: str) -> Screen:
        """The way from light in the working space to a display, through the show's look.

        Raises:
            ColourError: Unknown, or it does not build.
        """
        return screen(
            self.colour, self.working, display=display or None, view=view or None, look=self.look
        )

    def transform(self, display: str, view: str) -> ocio.GroupTransform:
        """The same way as the library's own steps.

        Raises:
            ColourError: Unknown display or view.
        """
        found = looks.find_look(self.colour, display or None, view or None)
        steps = [] if self.look is None else _look_steps(self.look, self.working)
        return ocio.GroupTransform(
            [*steps, ocio.DisplayViewTransform(self.working, found.display, found.view)]
        )


def _look_steps(look: LookOrder, working: str) -> list[ocio.Transform]:
    if not look.space:
        return [ocio.LookTransform(src=working, dst=working, looks=look.name)]
    file = ocio.FileTransform(look.name, interpolation=ocio.INTERP_TETRAHEDRAL)
    return [
        ocio.ColorSpaceTransform(working, look.space),
        file,
        ocio.ColorSpaceTransform(look.space, working),
    ]

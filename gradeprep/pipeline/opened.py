"""A plate to be looked at, with no result in mind: a recipe of one shot, made on the spot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import ColourAsk, OutputAsk, Recipe, Shot, StageAsk
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed

__all__ = ["PlateAsk", "open_plates"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateAsk:
    """A plate as the command line names it.

    Attributes:
        plate: Pattern, file or folder.
        space: Colour space, or None for a file rule of the config.
        stops: Pull that is decided for it already, in stops.
        frames: Only these frames.
        any_space: Take a data or display-referred space as it is.
    """

    plate: str
    space: str | None = None
    stops: float = 0.0
    frames: FrameRange | None = None
    any_space: bool = False

    def shot(self, name: str) -> Shot:
        """The plate as a shot of a recipe."""
        pull = installed().get("stages", "pull")
        return Shot(
            name=name,
            plate=self.plate,
            frames=self.frames,
            space=self.space,
            any_space=self.any_space,
            layers=None,
            stages=(StageAsk(stage="pull", params=pull.Params(stops=self.stops)),),
            order="lift-first",
            checks={},
            output=OutputAsk(),
            nonfinite="keep",
            again=True,
        )


def open_plates(plates: Mapping[str, PlateAsk], config: str | None) -> dict[str, PlateView]:
    """Views of plates that know each other by the given names; nothing will be written.

    Raises:
        RequestError: A plate is missing, or its colour cannot be told.
        PlateError: A plate is torn, uneven, or cannot be carried.
    """
    shots = {name: ask.shot(name) for name, ask in plates.items()}
    recipe = Recipe(ColourAsk(), shots)
    view = open_views(recipe, Path(), Options(config=config))
    return {name: view(name) for name in plates}

"""Views of plates that no recipe names: as asked for, or with the stages ordered before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from gradeprep.errors import GradeprepError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.order import ColourOrder, StageOrder
from gradeprep.model.recipe import ColourAsk, OutputAsk, Recipe, Shot, StageAsk
from gradeprep.pipeline.decision import prepare
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import Pixels, PlateView
from gradeprep.plugins.registry import installed

__all__ = ["PlateAsk", "decided_view", "open_plates"]


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
            allow_pulled=True,
        )


def open_plates(plates: Mapping[str, PlateAsk], config: str | None) -> dict[str, PlateView]:
    """Views of plates that know each other by the given names; nothing will be written.

    Raises:
        RequestError: A plate is missing, or its colour space is unknown.
        PlateError: A plate is torn, uneven, or cannot be carried.
    """
    shots = {name: ask.shot(name) for name, ask in plates.items()}
    recipe = Recipe(ColourAsk(), shots)
    view = open_views(recipe, Path(), Options(config=config))
    return {name: view(name) for name in plates}


def decided_view(
    name: str,
    plate: Path,
    frames: FrameRange,
    order: ColourOrder,
    *,
    space: str,
    layers: tuple[str, ...] | None = None,
    stages: Mapping[int, tuple[StageOrder, ...]] | None = None,
) -> View:
    """The view of a plate whose `View.normalized` applies the given stages; no meter runs.

    Args:
        name: Name of the shot.
        plate: Its pattern.
        frames: The frames to be looked at; no other is touched.
        order: Config, context and working space.
        space: The plate's own space.
        layers: Layers that are colour; found when left out.
        stages: Frame number to its stages; none when left out.

    Raises:
        GradeprepError: The plate, or what its colour needs, is missing or bad.
    """
    ordered = stages or {}
    ask = PlateAsk(plate=str(plate), space=space, frames=frames, any_space=True)
    shot = replace(ask.shot(name), layers=layers, stages=(), order="as-written")
    asked = ColourAsk(config=order.config, working=order.working, context=dict(order.context))
    try:
        found = open_views(Recipe(asked, {name: shot}), Path(), Options())(name)
    except GradeprepError as error:
        raise error.at(shot=name) from error
    assert isinstance(found, View)

    def staged(frame: int, pixels: Pixels) -> Pixels:
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            return prepare(ordered.get(frame, ()), found.weights).apply(pixels)

    def exposure(frame: int) -> float:
        return prepare(ordered.get(frame, ()), (0.0, 1.0, 0.0)).stops

    return replace(found, stages=staged, decided=exposure)

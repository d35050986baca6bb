"""A plate to be looked at again, with the stages that were ordered for it, whoever ordered them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from gradeprep.errors import GradeprepError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.order import ColourOrder, StageOrder
from gradeprep.model.recipe import ColourAsk, OutputAsk, Recipe, Shot
from gradeprep.pipeline.decision import prepare
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import Pixels

__all__ = ["reopened"]


def reopened(
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
    told = stages or {}
    shot = _shot(name, plate, frames, space, layers)
    asked = ColourAsk(config=order.config, working=order.working, context=dict(order.context))
    try:
        found = open_views(Recipe(asked, {name: shot}), Path(), Options())(name)
    except GradeprepError as error:
        raise error.at(shot=name) from error
    assert isinstance(found, View)

    def staged(frame: int, pixels: Pixels) -> Pixels:
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            return prepare(told.get(frame, ()), found.weights).apply(pixels)

    def exposure(frame: int) -> float:
        return prepare(told.get(frame, ()), (0.0, 1.0, 0.0)).stops

    return replace(found, stages=staged, decided=exposure)


def _shot(
    name: str, plate: Path, frames: FrameRange, space: str, layers: tuple[str, ...] | None
) -> Shot:
    return Shot(
        name=name,
        plate=str(plate),
        frames=frames,
        space=space,
        any_space=True,
        layers=layers,
        stages=(),
        order="as-written",
        checks={},
        output=OutputAsk(),
        nonfinite="keep",
        again=True,
    )

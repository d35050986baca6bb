"""From what a recipe asks of the stages to numbers for every frame: the only place a meter runs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, ValidationError

from gradeprep.errors import RequestError
from gradeprep.model.exposure import MeterAsk
from gradeprep.model.order import StageOrder
from gradeprep.model.recipe import Shot, StageAsk
from gradeprep.model.record import Reading
from gradeprep.pipeline.decision import exposure
from gradeprep.plugins.calling import calling
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed

__all__ = ["StageNumbers", "check_order", "settle"]


@dataclass(frozen=True, slots=True)
class StageNumbers:
    """A shot's stages with every number known.

    Attributes:
        stages: Name and parameters of each stage, nothing left to measure.
        readings: What the meters read on the way.
    """

    stages: tuple[StageAsk, ...]
    readings: tuple[Reading, ...]
    _same: dict[str, tuple[StageOrder, ...]] = field(default_factory=dict, compare=False)
    """Frames of equal orders share one: most shots have one for all their frames."""

    def orders(self, frame: int) -> tuple[StageOrder, ...]:
        """The stages of one frame."""
        found = []
        for ask in self.stages:
            stage = installed().get("stages", ask.stage)
            with calling("stages", ask.stage):
                numbers = stage.decide(ask.params, frame)
                found.append(StageOrder(stage=ask.stage, numbers=numbers))
        return self._same.setdefault(repr(found), tuple(found))

    def exposure(self, frame: int) -> float:
        """Exposure change of the whole picture at a frame, in stops."""
        return float(
            sum(
                exposure(installed().get("stages", order.stage), order.numbers)
                for order in self.orders(frame)
            )
        )

    def as_data(self) -> list[dict[str, Any]]:
        """The stages' parameters as plain data."""
        return [
            {ask.stage: ask.params.model_dump(mode="json", by_alias=True)} for ask in self.stages
        ]


def check_order(shot: Shot) -> None:
    """Refuse a lift behind the pull unless the recipe says that it is meant.

    Raises:
        RequestError: With the reason why the order matters.
    """
    if shot.order == "as-written":
        return
    names = [ask.stage for ask in shot.stages]
    for index, name in enumerate(names):
        late = [
            other
            for other in getattr(installed().get("stages", name), "before", ())
            if other in names[:index]
        ]
        if late:
            raise RequestError(
                f"{name} comes after {late[0]}; open shadows before the {late[0]}, while the "
                "signal is still large",
                shot=shot.name,
                key="stages",
                remedy=f"move {name} before {late[0]}, or set 'order: as-written' to keep it",
            )


def settle(shot: Shot, view: PlateView) -> StageNumbers:
    """Run the meters that a shot's stages ask for.

    Args:
        shot: The shot.
        view: Its plate, for the meters.

    Raises:
        RequestError: A meter cannot give an honest number, with its reason.
    """
    stages, readings = [], []
    for ask in shot.stages:
        params = ask.params
        for key in type(params).model_fields:
            meter = getattr(params, key)
            if isinstance(meter, MeterAsk):
                reading, value = _measured(ask.stage, view, meter)
                readings.append(reading)
                params = _filled(shot, params, key, value, meter.meter)
        stages.append(StageAsk(stage=ask.stage, params=params))
    return StageNumbers(tuple(stages), tuple(readings))


def _measured(stage: str, view: PlateView, ask: MeterAsk) -> tuple[Reading, Any]:
    """A reading, and what a stage takes of it: stops, keys over time, or one number a channel."""
    from gradeprep.pipeline.metering import read_frames, read_plate  # where somebody measures

    if ask.per_frame:
        over_time = read_frames(view, ask.meter, ask.params)
        return over_time.summary, over_time.keys
    reading = read_plate(view, ask.meter, ask.params)
    if stage != "balance":
        return reading, reading.stops
    if reading.balance is None:
        raise RequestError(
            f"meter {reading.meter} read no balance there",
            shot=view.shot,
            key=f"stages.{stage}",
            remedy="give three numbers of stops",
        )
    return reading, reading.balance


def _filled(shot: Shot, params: BaseModel, key: str, value: Any, meter: str) -> BaseModel:
    """The parameters with what was measured in the place of the meter."""
    try:
        return type(params).model_validate(dict(params) | {key: value})
    except ValidationError as error:
        what = error.errors()[0]["msg"].removeprefix("Value error, ")
        raise RequestError(
            f"its reading cannot be used: {what}",
            shot=shot.name,
            key=f"meter {meter}",
            remedy="look whether its region and its parameters are right",
        ) from error

"""A decision that is tried out on the page, as the stages of a frame in the recipe's order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import ValidationError

from gradeprep.errors import RequestError
from gradeprep.model.order import StageOrder
from gradeprep.model.recipe import Shot
from gradeprep.pipeline.decision import prepare
from gradeprep.pipeline.stageedits import Change, place_for
from gradeprep.plugins.contracts import Pixels
from gradeprep.plugins.registry import installed

__all__ = ["STAGES", "StageTrial", "change_of", "parsed"]

STAGES = ("lift", "balance", "pull")
"""Stages that the page shows live and can change."""


@dataclass(frozen=True, slots=True)
class StageTrial:
    """A pull, a lift and a balance to look at a frame with; None leaves a stage out.

    Attributes:
        pull: Stops at the frame.
        lift: Its stops, below and softness.
        balance: Stops for R, G and B.
    """

    pull: float | None = None
    lift: tuple[float, float, float] | None = None
    balance: tuple[float, float, float] | None = None

    def orders(self, shot: Shot) -> tuple[StageOrder, ...]:
        """The stages with their numbers, in the order that the recipe has or would have them.

        Raises:
            RequestError: A number that the stage refuses.
        """
        params: dict[str, dict[str, Any]] = {}
        if self.lift is not None:
            params["lift"] = dict(zip(("stops", "below", "softness"), self.lift, strict=True))
        if self.balance is not None:
            params["balance"] = {"stops": list(self.balance)}
        if self.pull is not None:
            params["pull"] = {"stops": self.pull}
        names = [ask.stage for ask in shot.stages if ask.stage in params]
        names = list(dict.fromkeys(names))
        for stage in STAGES:
            if stage in params and stage not in names:
                names.insert(place_for(stage, names), stage)
        return tuple(_order(name, params[name], shot.name) for name in names)

    def applied(self, light: Pixels, shot: Shot, weights: tuple[float, float, float]) -> Pixels:
        """The light after the stages; a new array."""
        decision = prepare(self.orders(shot), weights)
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            return decision.apply(light.copy())


def parsed(query: Mapping[str, str]) -> StageTrial:
    """The decision in a query: ``pull``, ``lift`` and ``balance``, numbers with commas.

    Raises:
        RequestError: Not numbers, or not as many as the stage takes.
    """
    pull = _numbers(query, "pull", 1)
    lift = _numbers(query, "lift", 3)
    balance = _numbers(query, "balance", 3)
    return StageTrial(
        None if pull is None else pull[0],
        None if lift is None else (lift[0], lift[1], lift[2]),
        None if balance is None else (balance[0], balance[1], balance[2]),
    )


def change_of(shot: str, data: Mapping[str, Any]) -> Change:
    """What a page wants saved of a shot, as stages with parameters that hold.

    Args:
        shot: Name of the shot.
        data: ``pull`` as a number or keys ``[[frame, stops], ...]``; ``lift`` and ``balance`` as
            their parameters, or None to take them out.

    Raises:
        RequestError: Something else, or numbers that a stage refuses.
    """
    change: dict[str, Mapping[str, Any] | None] = {}
    for stage, value in data.items():
        if stage not in STAGES:
            raise RequestError(f"'{stage}' cannot be changed here", shot=shot, key=str(stage))
        if value is None and stage != "pull":
            change[stage] = None
        else:
            change[stage] = _checked(stage, _params(stage, value, shot), shot)
    return change


def _params(stage: str, value: Any, shot: str) -> dict[str, Any]:
    if stage == "pull":
        return {"stops": _keys(value, shot) if isinstance(value, list) else value}
    if stage == "balance" and isinstance(value, list):
        return {"stops": value}
    if not isinstance(value, dict):
        raise RequestError("these are no parameters", shot=shot, key=stage)
    return value


def _keys(value: Sequence[Any], shot: str) -> dict[int, Any]:
    found: dict[int, Any] = {}
    for key in value:
        plain = isinstance(key, list) and len(key) == 2 and type(key[0]) is int
        if not plain or key[0] in found:
            raise RequestError("keys are [frame, stops], each frame once", shot=shot, key="pull")
        found[key[0]] = key[1]
    return found


def _checked(stage: str, params: dict[str, Any], shot: str) -> dict[str, Any]:
    """The parameters as given, where the stage takes them and nothing is left to be measured."""
    ask = _model(stage, params, shot)
    if getattr(ask.stops, "meter", None) is not None:
        raise RequestError("give numbers; a meter is asked for in the recipe", shot=shot, key=stage)
    return params


def _order(stage: str, params: dict[str, Any], shot: str) -> StageOrder:
    plugin = installed().get("stages", stage)
    return StageOrder(stage=stage, numbers=plugin.decide(_model(stage, params, shot), 0))


def _model(stage: str, params: dict[str, Any], shot: str) -> Any:
    try:
        return installed().get("stages", stage).Params.model_validate(params)
    except ValidationError as error:
        first = error.errors()[0]
        what = str(first["msg"]).removeprefix("Value error, ")
        key = ".".join(str(step) for step in (stage, *first["loc"]) if "[" not in str(step))
        raise RequestError(what, shot=shot, key=key) from error


def _numbers(query: Mapping[str, str], key: str, count: int) -> list[float] | None:
    given = query.get(key, "")
    if not given:
        return None
    try:
        found = [float(item) for item in given.split(",")]
    except ValueError:
        found = []
    if len(found) != count:
        raise RequestError(
            f"'{given[:40]}' is not {count} number{'s' if count > 1 else ''}", key=key
        )
    return found

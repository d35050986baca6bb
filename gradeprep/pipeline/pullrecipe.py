"""One plate and what to do to it, as the recipe of one shot that it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gradeprep.errors import RequestError
from gradeprep.plates import formats
from gradeprep.plates.sequence import Pattern, find

__all__ = ["PullAsk", "recipe_of"]

_LONGEST = 100
"""Characters of a shot's name that is taken from a file's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PullAsk:
    """What is asked of one plate; None leaves a default, or the source's own.

    Attributes:
        stops: Exposure change in stops, negative darkens; or frame number to stops, in a straight
            line between.
        lift: Stops that the shadows are opened by first.
        below: Tone under which the lift begins, in stops from grey of the normalized picture.
        softness: Width of its transition, in stops.
        balance: Stops for R, G and B.
        space: Colour space that the camera recorded.
        any_space: Take a data or display-referred space as it is.
        working: Scene-linear space to work in.
        layers: Layers that are colour.
        out_space: Colour space of the result.
        kind: Type of the result's samples.
        compression: Compression of the result.
        container: ``aces`` for SMPTE ST 2065-4.
        only_colour: Leave out what the format cannot hold.
        nonfinite: ``keep`` or ``fail``.
        allow_pulled: Pull a plate whose metadata says it has already been pulled.
        name: Name of the shot, and so of its sidecar; that of the result when left out.
    """

    stops: float | Mapping[int, float]
    lift: float | None = None
    below: float | None = None
    softness: float | None = None
    balance: Sequence[float] | None = None
    space: str | None = None
    any_space: bool = False
    working: str | None = None
    layers: Sequence[str] = ()
    out_space: str | None = None
    kind: str | None = None
    compression: str | None = None
    container: str | None = None
    only_colour: bool = False
    nonfinite: str | None = None
    allow_pulled: bool = False
    name: str | None = None


def recipe_of(plate: str, out: str, ask: PullAsk) -> dict[str, Any]:
    """The recipe, as plain data, that does to a plate what is asked.

    Args:
        plate: Pattern, file, or folder with one plate.
        out: Pattern, file, or a folder where the frames keep their names.
        ask: What to do.

    Raises:
        RequestError: The plate is not there, or the curve of a lift is given without one.
    """
    result = _out(out, _file_name(plate))
    output = {
        "plate": result,
        "space": ask.out_space,
        "type": ask.kind,
        "compression": ask.compression,
        "container": ask.container,
        "only_colour": ask.only_colour or None,
    }
    shot = {
        "plate": plate,
        "stages": _stages(ask),
        "space": ask.space,
        "any_space": ask.any_space or None,
        "layers": list(ask.layers) or None,
        "nonfinite": ask.nonfinite,
        "allow_pulled": ask.allow_pulled or None,
        "output": _said(output),
    }
    recipe: dict[str, Any] = {
        "gradeprep": 1,
        "shots": {ask.name or _shot_name(Path(result).name): _said(shot)},
    }
    if ask.working is not None:
        recipe["colour"] = {"working": ask.working}
    return recipe


def _said(settings: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in settings.items() if value is not None}


def _stages(ask: PullAsk) -> list[dict[str, Any]]:
    stages: list[dict[str, Any]] = []
    curve = _said({"below": ask.below, "softness": ask.softness})
    if ask.lift is not None:
        stages.append({"lift": {"stops": ask.lift, **curve}})
    elif curve:
        raise RequestError(
            "below and softness shape a lift, and there is none", remedy="say lift as well"
        )
    stops = ask.stops if isinstance(ask.stops, float | int) else dict(ask.stops)
    stages.append({"pull": {"stops": stops}})
    if ask.balance:
        stages.append({"balance": {"stops": list(ask.balance)}})
    return stages


def _file_name(plate: str) -> str:
    """A file's own name, or the pattern of a plate of many."""
    path = Path(plate)
    return path.name if path.is_file() else find(plate).pattern.name


def _shot_name(name: str) -> str:
    """What stands before the frame number, as a plain name."""
    pattern = Pattern.parse(name)
    head = pattern.head if pattern.width else Path(name).stem
    plain = "".join(c if c.isalnum() or c in "_-." else "_" for c in head)
    return plain[:_LONGEST].strip("._-") or "plate"


def _out(out: str, name: str) -> str:
    """A folder keeps the frames' names; those that cannot be written get the default."""
    path = Path(out)
    if path.suffix and not path.is_dir() and not out.endswith("/"):
        return out
    if formats.name_of(name) not in formats.WRITABLE:
        name = str(Path(name).with_suffix(f".{formats.DEFAULT}"))
    return str(path / name)

"""What is ordered: a chunk of frames of one shot with every number decided.

A task is plain JSON. Whoever runs it, on whatever machine, has nothing left to decide.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, overload

from pydantic import (
    BaseModel,
    ConfigDict,
    SerializerFunctionWrapHandler,
    ValidatorFunctionWrapHandler,
    WrapSerializer,
    WrapValidator,
)
from pydantic.dataclasses import dataclass

__all__ = [
    "ARITHMETIC",
    "ColourOrder",
    "FrameOrder",
    "FrameOrders",
    "LookOrder",
    "Ordered",
    "OutputOrder",
    "StageOrder",
    "Stages",
    "Task",
    "digest_of",
]

ARITHMETIC = 1
"""Raised whenever equal orders would give other pixels than before."""


_PLAIN = ConfigDict(extra="forbid", allow_inf_nan=False, defer_build=True)


class Ordered(BaseModel):
    """Base of the ordered side: frozen, nothing unknown in it, no number that JSON lacks."""

    model_config = ConfigDict(frozen=True, **_PLAIN)


class StageOrder(Ordered):
    """One stage with its numbers for one frame.

    Attributes:
        stage: Name of the stage plugin.
        numbers: Its numbers, in the units the stage documents (stops for the built-in ones).
    """

    stage: str
    numbers: Mapping[str, float | tuple[float, ...]]

    @property
    def told(self) -> str:
        """Its numbers in one line."""
        parts = []
        for name, value in self.numbers.items():
            values = value if isinstance(value, tuple | list) else (value,)
            text = " ".join(f"{number:+.6g}" for number in values)
            parts.append(text if name == "stops" else f"{name} {text}")
        return ", ".join(parts)


Stages = tuple[StageOrder, ...]
"""The stages of a frame, in the order they are applied."""


@dataclass(frozen=True, kw_only=True, config=_PLAIN)
class FrameOrder:
    """One frame: where from, where to, and the stages in order.

    Attributes:
        number: Frame number.
        source: Path of the source file.
        result: Path of the file to write.
        stages: Stages in the order they are applied.
        pulled: Stops that the source says were applied before.
        history: Digests of recipes that the source says were applied before, oldest first.

    No model, for there is one of it for every frame of a plan: a model takes five times its room.
    No slots either: to send one that has some, Python lists its fields in tuples, and keeps those.
    """

    number: int
    source: str
    result: str
    stages: Stages
    pulled: float = 0.0
    history: tuple[str, ...] = ()


class FrameOrders(Sequence[FrameOrder]):
    """The orders of many frames, each made when it is asked for.

    A plan of ten thousand frames holds their numbers and, once, the stages that are equal.

    Args:
        numbers: Frame numbers.
        stages: The stages of each.
        make: Makes an order of a number and its stages; the same one each time.
    """

    __slots__ = ("_make", "_numbers", "_stages")

    def __init__(
        self,
        numbers: Sequence[int],
        stages: Sequence[Stages],
        make: Callable[[int, Stages], FrameOrder],
    ) -> None:
        self._numbers, self._stages, self._make = numbers, stages, make

    def __len__(self) -> int:
        return len(self._numbers)

    @overload
    def __getitem__(self, place: int) -> FrameOrder: ...

    @overload
    def __getitem__(self, place: slice) -> FrameOrders: ...

    def __getitem__(self, place: int | slice) -> FrameOrder | FrameOrders:
        if isinstance(place, slice):
            return FrameOrders(self._numbers[place], self._stages[place], self._make)
        return self._make(self._numbers[place], self._stages[place])

    def __iter__(self) -> Iterator[FrameOrder]:
        return map(self._make, self._numbers, self._stages)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]  # as a list's

    def __repr__(self) -> str:
        return repr(tuple(self))


def _as_made(frames: Any, validated: ValidatorFunctionWrapHandler) -> Sequence[FrameOrder]:
    return frames if isinstance(frames, FrameOrders) else tuple(validated(frames))


def _all(frames: Sequence[FrameOrder], told: SerializerFunctionWrapHandler) -> Any:
    return told(tuple(frames))


class LookOrder(Ordered):
    """The show's look: what pictures of a result are shown with. It decides no pixel.

    Attributes:
        name: Name of a look of the config, or path of a file.
        space: Space that a file takes and gives back; empty for a look of the config.
        sha256: Hash of the file; empty for a look of the config.
    """

    name: str
    space: str = ""
    sha256: str = ""


class ColourOrder(Ordered):
    """The colour decision.

    Attributes:
        config: Path or ``ocio://`` name of the config.
        sha256: Hash of the config's text.
        context: Context variables that the processors used, with their values.
        working: Scene-linear space that the stages work in.
        source: Space of the source plate.
        result: Space of the result.
        files: Files (LUTs) that the processors read, with their hashes.
        look: The show's look, for pictures only.
    """

    config: str
    sha256: str
    context: Mapping[str, str] = {}
    working: str
    source: str
    result: str
    files: Mapping[str, str] = {}
    look: LookOrder | None = None


class OutputOrder(Ordered):
    """What is written.

    Attributes:
        format: Name of a registered format that can be written.
        type: Type of the colour channels: ``half``, ``float``, ``uint32``, ``uint8``,
            ``uint10``, ``uint12``, ``uint16``, or ``source``.
        compression: Name of a compression of the format, ``source``, or ``none``.
        container: ``source``, or ``aces`` (SMPTE ST 2065-4).
        only_colour: Leave out channels and parts that the format cannot hold.
    """

    format: str
    type: str
    compression: str
    container: Literal["source", "aces"] = "source"
    only_colour: bool = False


class Task(Ordered):
    """A chunk of frames of one shot, ready to run anywhere.

    Attributes:
        version: Version of the task format.
        arithmetic: Version of the arithmetic the order was made for.
        shot: Name of the shot.
        digest: Hash of the whole decision; the same for all frames of a shot.
        kernel: Which arithmetic serves the first frame; a frame that nothing changes is carried.
        inverse: Take the stages back, last one first, instead of applying them.
        colour: The colour decision.
        layers: Layers that are colour, as ``part:layer``; empty text is a root layer.
        nonfinite: ``keep`` non-finite pixels as they are, or ``fail`` the frame.
        output: What is written.
        frames: The frames.
    """

    version: Literal[1] = 1
    arithmetic: int = ARITHMETIC
    shot: str
    digest: str
    kernel: str
    inverse: bool = False
    colour: ColourOrder
    layers: tuple[str, ...]
    nonfinite: Literal["keep", "fail"] = "keep"
    output: OutputOrder
    frames: Annotated[Sequence[FrameOrder], WrapValidator(_as_made), WrapSerializer(_all)]

    def only(self, frames: Sequence[FrameOrder]) -> Task:
        """The same order for some of its frames."""
        return self.model_copy(update={"frames": frames})


def digest_of(data: Any) -> str:
    """``sha256:`` and the hash of the data's canonical JSON."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return "sha256:" + hashlib.sha256(text.encode("ascii")).hexdigest()

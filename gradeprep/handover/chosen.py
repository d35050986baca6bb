"""The one gain that a file of one number holds of a shot, and what it does not hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, Field

from gradeprep import colour
from gradeprep.model.order import StageOrder
from gradeprep.model.shot import FrameEntry
from gradeprep.model.stops import stops_from
from gradeprep.plugins.contracts import Decided, LeftOut

__all__ = ["Chosen", "FrameParams", "choose"]


class FrameParams(BaseModel):
    """Parameters of a form that holds one number a shot."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    frame: int | None = Field(
        None, description="Frame whose gain is written for a shot whose gain varies over time"
    )


@dataclass(frozen=True, slots=True)
class Chosen:
    """A gain that stands for a shot, or for one frame of it.

    Attributes:
        shot: The whole decision.
        gains: Linear gain of R, G and B in the working space.
        frame: The only frame it holds for; None where it holds for all.
    """

    shot: Decided
    gains: tuple[float, float, float]
    frame: int | None = None

    @property
    def name(self) -> str:
        """The shot's name, with the frame where it holds for that one alone."""
        shot = self.shot.record.shot
        return shot if self.frame is None else f"{shot}_{self.frame}"

    @property
    def space(self) -> str:
        """What the gain multiplies, in words."""
        order = self.shot.record.colour
        return f"scene-linear light in {order.working} (OpenColorIO config {order.config})"

    @property
    def way(self) -> str:
        """The whole way of a log plate in words; empty for light."""
        order = self.shot.record.colour
        if order.source == order.working:
            return ""
        if colour.load(order.config, order.context).encoding(order.source) != "log":
            return ""
        return (
            f"Decode {order.source} to {order.working}, multiply, encode to {order.source}; "
            f"a multiplication of {order.source} codes is no exposure change"
        )

    @property
    def lines(self) -> tuple[str, ...]:
        """What a reader of the file must know: first what it is, then what it is not."""
        record = self.shot.record
        one = self._record()
        stages = [order for order in one.stages if order.stage not in self.shot.beyond]
        text = ", ".join(f"{order.stage} {_numbers(order)}" for order in stages) or "no change"
        return (
            f"{record.shot}: {text} stops, from exposed hot to normalized ({record.tool})",
            *([self.way] if self.way else []),
            "Multiplies light; to be applied without the clamp to 0..1",
            f"Decision {record.digest}",
            *self.notes,
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What the file does not hold; none where it holds the whole decision."""
        return tuple(self._notes())

    def _notes(self) -> Iterator[str]:
        if self.frame is not None:
            frames = self.shot.record.result.frames
            yield f"FRAME {self.frame} ONLY: the gain varies over {frames}"
        if self.shot.beyond:
            names = " and ".join(self.shot.beyond)
            yield f"PART ONLY: the shot's {names} is not a gain and is not in it"

    def _record(self) -> FrameEntry:
        frames = self.shot.record.frames
        return next((f for f in frames if f.number == self.frame), frames[0])


def _numbers(order: StageOrder) -> str:
    stops = order.numbers.get("stops", ())
    values = stops if isinstance(stops, tuple | list) else (stops,)
    return " ".join(f"{value:+.6g}" for value in values)


def choose(shot: Decided, frame: int | None) -> Chosen | LeftOut:
    """The gain of a shot; of one frame where it varies and the frame is named.

    Returns:
        Why there is none, for a gain that varies while no frame is named, a frame that the shot
        does not have, or a decision without any gain in it.
    """
    name = shot.record.shot
    different = set(shot.gains.values())
    if shot.beyond and different == {(1.0, 1.0, 1.0)}:
        return LeftOut(name, f"{' and '.join(shot.beyond)} is no gain, and there is nothing else")
    if len(different) == 1:
        return Chosen(shot, different.pop())
    if frame is None:
        stops = [stops_from(gains[1]) for gains in shot.gains.values()]
        return LeftOut(
            name,
            f"its gain varies over the frames, from {min(stops):+.4g} to {max(stops):+.4g} stops, "
            "and the form holds one number; say --frame N for that of one frame",
        )
    if frame not in shot.gains:
        return LeftOut(name, f"has no frame {frame}; it has {shot.record.result.frames}")
    return Chosen(shot, shot.gains[frame], frame)

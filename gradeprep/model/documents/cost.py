"""The document of `plan` about the cost of running a recipe."""

from __future__ import annotations

from collections.abc import Mapping

from gradeprep.model.documents.base import CommandDocument

__all__ = ["Cost", "ShotCost"]


class ShotCost(CommandDocument):
    """What a shot costs.

    Attributes:
        frames: Its frames.
        bytes_read: Bytes of its sources.
        bytes_written: Bytes of its results.
        seconds: Processor seconds a frame takes; None where nothing was measured.
        source: Where that comes from: ``measured``, ``like SHOT``, ``by size`` or ``unknown``.
    """

    frames: int
    bytes_read: int
    bytes_written: int
    seconds: float | None
    source: str


class Cost(CommandDocument):
    """What a plan costs.

    Attributes:
        frames: Frames of all shots.
        bytes_read: Bytes of their sources, each read once.
        bytes_written: Bytes of their results; an upper bound where nothing was measured.
        processor_seconds: Seconds of one processor; None where nothing was measured.
        workers: Processors that are to work at once.
        wall_seconds: Time that these need, if the storage keeps up; one frame's at least.
        read_rate: Bytes a second that the storage then has to read.
        write_rate: Bytes a second that it has to write.
        why: Why nothing was measured; empty where something was.
        shots: Shot to its cost.
    """

    frames: int
    bytes_read: int
    bytes_written: int
    processor_seconds: float | None
    workers: int
    wall_seconds: float | None
    read_rate: float | None
    write_rate: float | None
    why: str = ""
    shots: Mapping[str, ShotCost]

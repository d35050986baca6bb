"""An engine that runs nothing: outcomes are told in memory, in the order a test wants."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Self

from gradeprep.model.record import Counts, FileRecord, FrameRecord
from gradeprep.model.order import FrameOrder, Task
from gradeprep.runners.outcome import Failed

__all__ = ["FakeEngine"]


@dataclass
class FakeEngine:
    """Gives a record for every frame, or what ``outcome`` says instead.

    Attributes:
        outcome: Asked for each frame; None where a record serves.
        refusal: Raised by `ready`.
        watch: Called at every step of the engine's life with its name.
        steps: Names of the steps so far.
    """

    outcome: Callable[[Task, FrameOrder], Failed | None] = lambda task, order: None
    refusal: Exception | None = None
    watch: Callable[[str], None] = lambda step: None
    steps: list[str] = field(default_factory=list)

    def _step(self, name: str) -> None:
        self.steps.append(name)
        self.watch(name)

    def __enter__(self) -> Self:
        self._step("enter")
        return self

    def __exit__(self, *raised: object) -> None:
        self._step("exit")

    def ready(self, tasks: Sequence[Task]) -> None:
        self._step("ready")
        if self.refusal is not None:
            raise self.refusal

    def run(self, task: Task, *, stop: threading.Event) -> Iterator[FrameRecord | Failed]:
        self._step(f"run {task.shot}")
        for order in reversed(task.frames):
            if stop.is_set():
                raise KeyboardInterrupt
            yield self.outcome(task, order) or _record(order)


def _record(order: FrameOrder) -> FrameRecord:
    nothing = FileRecord(file=os.devnull, bytes=0, hash="xxh128:" + "0" * 32)
    return FrameRecord(
        number=order.number,
        stops=0.0,
        stages=order.stages,
        kernel="carry",
        counts=Counts(),
        source=nothing.model_copy(update={"file": order.source}),
        result=nothing.model_copy(update={"file": order.result}),
    )

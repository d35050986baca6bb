"""An engine that runs nothing: outcomes are told in memory, in the order a test wants."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Self

from gradeprep.model.record import Counts, FileMark
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
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

    outcome: Callable[[ShotDocument, FrameEntry], Failed | None] = lambda document, entry: None
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

    def ready(self, documents: Sequence[ShotDocument]) -> None:
        self._step("ready")
        if self.refusal is not None:
            raise self.refusal

    def run(
        self, document: ShotDocument, *, stop: threading.Event
    ) -> Iterator[FrameEntry | Failed]:
        self._step(f"run {document.shot}")
        for entry in reversed(document.frames):
            if stop.is_set():
                raise KeyboardInterrupt
            yield self.outcome(document, entry) or _done(entry)


def _done(entry: FrameEntry) -> FrameEntry:
    nothing = FileMark(bytes=0, hash="xxh128:" + "0" * 32)
    return entry.with_result(FrameResult(source=nothing, result=nothing, counts=Counts()))

"""The contract of an engine: something that runs the frames of a document, wherever that is.

An engine decides nothing. It is entered before the first shot and left after the last, so that
workers may live as long as the job; between the two, each shot's document goes to `run`, which
gives one outcome a frame, in any order. The claim on a shot's results, its journal and its
sidecar are the job's; an engine only does frames.
"""

from __future__ import annotations

import threading
from collections.abc import Generator, Sequence
from contextlib import AbstractContextManager
from typing import Protocol, Self

from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.runners.outcome import Failed

__all__ = ["Engine"]


class Engine(AbstractContextManager["Engine"], Protocol):
    """Runs frames. Need not be inherited."""

    def __enter__(self) -> Self:
        """Begin: reach the workers, or start them.

        Raises:
            RequestError: There are none, or they cannot be trusted.
        """

    def ready(self, documents: Sequence[ShotDocument]) -> None:
        """Look, before the first frame, whether these shots would come out as they do here.

        The results' folders exist by then and are the job's alone.

        Raises:
            RequestError: They would not; nothing was written.
        """

    def run(
        self, document: ShotDocument, *, stop: threading.Event
    ) -> Generator[FrameEntry | Failed, None, None]:
        """Do all frames of a document; one outcome a frame, in any order.

        Closing it early, or setting ``stop``, lets the frames in flight finish and begins no
        other.

        Args:
            document: The decision, and the frames to do.
            stop: Set by somebody else to end early; outcomes of frames in flight still come.

        Raises:
            KeyboardInterrupt: ``stop`` was set, and everything that had begun is reported.
        """

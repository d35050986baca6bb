"""The engine that is a cluster of dask.distributed workers.

Chunks of frames are sized by what frames cost (`pace`), two for every thread of a worker, and go
out as JSON; the records come back. A chunk whose worker is lost runs again elsewhere. Frames of a
chunk that lost several workers run alone, once all else is done, so that only the frame that
kills its worker is reported as failed. A worker that joins late is looked at before its first frame
like those that were there at the beginning; one that differs is named and given nothing more.
"""

from __future__ import annotations

import json
import re
import secrets
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Self

from gradeprep.errors import EngineError
from gradeprep.model.shot import ShotDocument
from gradeprep.runners import wire
from gradeprep.runners.deadline import within
from gradeprep.runners.dispatch import ANSWER, Dispatch, Outcomes
from gradeprep.runners.outcome import end_if
from gradeprep.runners.place import Place
from gradeprep.runners.reach import reached

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["Cluster"]

LOOK = 60.0
"""Seconds that workers get to look around."""


@dataclass
class Cluster:
    """Frames run by the workers of a scheduler.

    Attributes:
        place: Where it is.
        warn: Called with one line for each event that does not end the run.
        run_name: Distinguishes this run from others on the same workers.
    """

    place: Place
    warn: Callable[[str], None] = lambda line: None
    run_name: str = field(default_factory=lambda: secrets.token_hex(8))
    _client: Client = field(init=False)
    _life: ExitStack = field(default_factory=ExitStack)
    _folders: set[str] = field(default_factory=set)

    def __enter__(self) -> Self:
        """Reach the scheduler, or start it, and wait for a first worker.

        Raises:
            EngineError: No scheduler, no trust, or no worker.
        """
        with ExitStack() as life:
            self._client, patience = life.enter_context(reached(self.place))
            self._wait(patience)
            self._life = life.pop_all()
        return self

    def _wait(self, seconds: float) -> None:
        wanted = self.place.count or 1
        try:
            self._client.wait_for_workers(wanted, timeout=seconds)
        except TimeoutError:
            raise EngineError(
                f"no worker showed up within {seconds:g} s",
                key="--cluster",
                remedy="start some (dask worker SCHEDULER --nthreads 1), or look at their logs",
            ) from None

    def __exit__(self, *raised: object) -> None:
        from gradeprep.runners import remote

        with self._life, suppress(Exception):  # what cannot be swept is hidden, and swept later
            within(ANSWER, self._client.run, remote.sweep, sorted(self._folders))

    def ready(self, documents: Sequence[ShotDocument]) -> None:
        """Have every worker look whether it has and sees what this machine does.

        Raises:
            EngineError: One that does not, a line each.
        """
        from gradeprep.runners import remote

        there = [wire.travelling(document) for document in documents]
        looks = [wire.look_for(document, self.run_name).model_dump_json() for document in there]
        try:
            answers = within(LOOK, partial(self._client.run, on_error="return"), remote.look, looks)
        except (TimeoutError, OSError) as error:
            raise EngineError(
                f"not every worker answers within {LOOK:g} s",
                key="--cluster",
                remedy="look for one that hangs, or for a disk that it waits for",
            ) from error
        lines = [
            f"worker {worker}: {line}"
            for worker, answer in sorted(answers.items())
            for line in _lacking(answer)
        ]
        if lines:
            raise EngineError.of_each(lines)
        self._folders = {document.folder for document in there}

    def run(self, document: ShotDocument, *, stop: threading.Event) -> Outcomes:
        """Do all frames of a document; see `Engine.run`."""
        ordered = {entry.number: entry for entry in document.frames}
        chunks = Dispatch(self._client, document, self.run_name, self.warn)
        with closing(chunks.all(stop)) as work:
            for outcome in work:
                yield wire.as_ordered(outcome, ordered[outcome.number])
        for entry in chunks.suspects:
            end_if(stop)
            with closing(chunks.alone(entry, stop)) as work:
                for outcome in work:
                    yield wire.as_ordered(outcome, ordered[outcome.number])


def _lacking(answer: str | BaseException) -> list[str]:
    """What a worker said that it lacks; where it cannot even say that, what its error means."""
    if isinstance(answer, str):
        return [str(line) for line in json.loads(answer)]
    text = " ".join(f"{type(answer).__name__}: {answer}".split())
    if missing := re.search(r"No module named '([\w.]+)'", text):
        name = missing[1].partition(".")[0]
        return [f"has no {name}, or another version of it; install there what is installed here"]
    return [f"does not answer: {text}"]

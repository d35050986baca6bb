"""The chunks of one shot on their way to workers and back.

Two chunks for every thread of a worker are out at a time. One whose worker is lost is sent again
by the scheduler; one that lost several is a suspect, and its frames are flown alone later on.
"""

from __future__ import annotations

import queue
import secrets
import threading
import time
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import CancelledError
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from gradeprep.errors import EngineLostError
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.runners import wire
from gradeprep.runners.chunksize import ChunkQueue
from gradeprep.runners.deadline import within
from gradeprep.runners.outcome import Failed

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["ANSWER", "Dispatch", "Outcomes"]

GLANCE = 0.5
"""Seconds between two looks at whether somebody wants to stop, and at who is there."""

PATIENCE = 30.0
"""Seconds that may pass without a worker, or after a stop until frames in flight have ended."""

ANSWER = 5.0
"""Seconds that a scheduler gets to answer a question."""

_DIED = (
    "its worker died every time (a crash in a codec, or out of memory); look at the file, or give "
    "the workers more memory"
)

Outcomes = Generator[FrameEntry | Failed, None, None]


class Dispatch:
    """The chunks of one shot: out, and back."""

    def __init__(
        self, client: Client, document: ShotDocument, run: str, warn: Callable[[str], None]
    ) -> None:
        self.client = client
        self.document = wire.travelling(document)
        self.look = wire.look_for(self.document, run)
        self.warn = warn
        self.suspects: list[FrameEntry] = []
        self._flying: dict[Future, tuple[FrameEntry, ...]] = {}
        self._landed: queue.SimpleQueue[Future] = queue.SimpleQueue()
        self._shunned: set[str] = set()
        self._workers: dict[str, int] = {}
        self._looked = self._halted = 0.0
        self._peopled = time.monotonic()

    def all(self, stop: threading.Event) -> Outcomes:
        """Do all frames, chunk by chunk; those of chunks that lost their workers are suspects."""
        yield from self._fly(ChunkQueue(self.document.frames), stop, self._suspect)

    def _suspect(self, entries: Iterable[FrameEntry]) -> Iterable[Failed]:
        self.suspects.extend(entries)
        return ()

    def alone(self, entry: FrameEntry, stop: threading.Event) -> Outcomes:
        """Do one frame with nothing beside it: where its worker dies now, it is to blame."""
        entry = next(mine for mine in self.document.frames if mine.number == entry.number)
        yield from self._fly(ChunkQueue((entry,)), stop, lambda entries: self._lost(entries, _DIED))

    def _lost(self, entries: Iterable[FrameEntry], why: str) -> Iterable[Failed]:
        for entry in entries:
            what = f"{self.document.shot} frame {entry.number}: {entry.source}: {why}"
            yield Failed(entry.number, what)

    def _fly(
        self,
        waiting: ChunkQueue,
        stop: threading.Event,
        killed: Callable[[Iterable[FrameEntry]], Iterable[Failed]],
    ) -> Outcomes:
        try:
            while waiting or self._flying:
                self._look_around()
                if not stop.is_set():
                    self._send(waiting)
                elif self._flying:
                    self._halt()
                else:
                    raise KeyboardInterrupt
                for future in self._back():
                    yield from self._outcomes(future, self._flying.pop(future), waiting, killed)
        except (KeyboardInterrupt, EngineLostError):
            self._forget()
            raise
        finally:
            self._land()

    def _send(self, waiting: ChunkQueue) -> None:
        """Keep two chunks with every thread: one that runs, one that is there when it ends."""
        from gradeprep.runners import remote

        slots = sum(self._workers.values())
        while waiting and len(self._flying) < 2 * slots:
            entries = waiting.take(slots)
            chunk = wire.Chunk(look=self.look, document=self.document.only(entries))
            future = self.client.submit(
                remote.work,
                chunk.model_dump_json(),
                key=f"gradeprep-{secrets.token_hex(8)}",
                workers=sorted(self._workers) if self._shunned else None,
                pure=False,
            )
            self._flying[future] = entries
            future.add_done_callback(self._landed.put)

    def _back(self) -> list[Future]:
        """Chunks that are back, after a short wait for one."""
        found = []
        with suppress(queue.Empty):
            found.append(self._landed.get(timeout=GLANCE))
            while True:
                found.append(self._landed.get_nowait())
        return [future for future in found if future in self._flying]

    def _outcomes(
        self,
        future: Future,
        entries: tuple[FrameEntry, ...],
        waiting: ChunkQueue,
        killed: Callable[[Iterable[FrameEntry]], Iterable[Failed]],
    ) -> Iterable[FrameEntry | Failed]:
        """What a chunk that is back brings; frames it does not name wait again."""
        from distributed import KilledWorker

        try:
            if future.status == "error":
                error = future.exception()
                if isinstance(error, KilledWorker):
                    return killed(entries)
                why = f"no worker could take it: {type(error).__name__}: {error}"
                return self._lost(entries, " ".join(why.split()))
            if future.status != "finished":
                waiting.give_back(entries)  # the scheduler forgot it; whether it is there, is seen
                return ()
            answer = wire.Answer.model_validate_json(future.result())
        except (OSError, CancelledError):  # the scheduler went away this moment
            waiting.give_back(entries)
            return ()
        finally:
            future.release()
        if answer.refused:
            self._shun(answer)
            waiting.give_back(entries)
            return ()
        waiting.learn(len(answer.done) + len(answer.failed), answer.seconds)
        left = set(answer.left)
        waiting.give_back(entry for entry in entries if entry.number in left)
        return (*answer.done, *answer.failed)

    def _shun(self, answer: wire.Answer) -> None:
        if answer.worker not in self._shunned:
            self._shunned.add(answer.worker)
            self._workers.pop(answer.worker, None)
            for line in answer.refused:
                self.warn(f"worker {answer.worker} is left out: it {line}")

    def _look_around(self) -> None:
        """See now and then who is there.

        Raises:
            EngineLostError: Nobody has been for too long, or frames that were to end do not.
        """
        now = time.monotonic()
        if now - self._looked > GLANCE:
            self._looked, self._workers = now, self._there()
            if self._workers:
                self._peopled = now
        if now - self._peopled > PATIENCE:
            what = f"no scheduler, or no worker that it knows, for {PATIENCE:g} s"
            raise EngineLostError(what, shot=self.document.shot)
        if self._halted and now - self._halted > PATIENCE:
            raise KeyboardInterrupt

    def _there(self) -> dict[str, int]:
        """Workers and their threads; none where the scheduler does not answer."""
        if self.client.status != "running":
            return {}
        try:
            found = within(ANSWER, self.client.nthreads)
        except (OSError, TimeoutError):
            return {}
        return {address: n for address, n in found.items() if address not in self._shunned}

    def _halt(self) -> None:
        """Ask every worker, those that came meanwhile too, to begin no further frame."""
        from gradeprep.runners import remote

        self._halted = self._halted or time.monotonic()
        with suppress(OSError, TimeoutError, ValueError):
            within(GLANCE, partial(self.client.run, on_error="ignore"), remote.halt, self.look.run)

    def _forget(self) -> None:
        """Nothing that still flies is waited for."""
        if self._flying and self.client.status == "running":
            with suppress(OSError, TimeoutError):
                self.client.cancel(list(self._flying), force=True)
        self._flying.clear()

    def _land(self) -> None:
        """Let what still flies end after its frame; its outcome is nobody's any more."""
        with suppress(EngineLostError, KeyboardInterrupt):
            while self._flying:
                self._look_around()
                self._halt()
                for future in self._back():
                    del self._flying[future]
                    future.release()

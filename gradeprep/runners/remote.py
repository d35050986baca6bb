"""In a worker of a cluster: looks, then does chunks, and keeps what a worker here keeps.

Codec threads are off, every result is published whole, and no frame begins unless the shot's
claim is still its parent's: a parent that is killed drops its claim, and whoever takes the shot
over signs it anew.
"""

from __future__ import annotations

import asyncio
import json
import os
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from distributed import get_worker

from gradeprep import machine
from gradeprep.errors import GradeprepError
from gradeprep.model.shot import FrameEntry
from gradeprep.pipeline.flow import planned_space, run_frame
from gradeprep.plates import atomic, exr
from gradeprep.plugins.registry import installed
from gradeprep.runners import local, wire
from gradeprep.runners.outcome import Failed
from gradeprep.runners.versions import differing

__all__ = ["differences", "halt", "look", "sweep", "work"]

PATIENCE = 5.0
"""Seconds that a shared disk gets to show what another machine has just written."""

_halted: set[str] = set()
_looked: dict[tuple[str, str], tuple[str, ...]] = {}


async def look(texts: Sequence[str]) -> str:
    """What this worker lacks for those looks, as a JSON list of sentences without a subject."""
    return json.dumps(await asyncio.to_thread(_all_differences, texts))


def _all_differences(texts: Sequence[str]) -> list[str]:
    found = (
        line for text in texts for line in _checked(wire.WorkerCheck.model_validate_json(text))
    )
    return list(dict.fromkeys(found))


def _checked(asked: wire.WorkerCheck) -> tuple[str, ...]:
    """Differences, looked for once a run and shot in this process."""
    key = (asked.run, asked.shot)
    if key not in _looked:
        exr.set_threads(0)
        machine.keep_freed()
        _looked[key] = tuple(differences(asked))
    return _looked[key]


def differences(asked: wire.WorkerCheck) -> Iterator[str]:
    """What is not here as it is where the run was started; nothing more where pixels differ."""
    other = differing(asked.versions)
    for line in other:
        yield f"has {line}"
    if other:
        return
    try:
        planned_space(asked.colour)
        for name in asked.versions:
            if name.startswith("stage "):
                installed().get("stages", name.removeprefix("stage "))
    except GradeprepError as error:
        yield str(error)
    yield from _unseen(asked)


def _unseen(asked: wire.WorkerCheck) -> Iterator[str]:
    for name, size in asked.sources.items():
        try:
            found = Path(name).stat().st_size
        except OSError as error:
            yield f"does not see {name}: {error.strerror}"
            break  # the first says it all
        if found != size:
            yield f"sees {name} with {found} bytes, and the run was started on {size}"
            break
    folder = Path(asked.claim).parent
    if not _same_place(asked):
        yield f"does not see in {folder} what was just written there; it must be the same folder"
        return
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        yield f"cannot write in {folder}: {error.strerror}"


def _same_place(asked: wire.WorkerCheck) -> bool:
    deadline = time.monotonic() + PATIENCE
    while not _claimed(asked):
        if time.monotonic() > deadline:
            return False
        with suppress(OSError):
            os.listdir(Path(asked.claim).parent)  # noqa: PTH208 - makes a network disk look again
        time.sleep(0.1)
    return True


def _claimed(asked: wire.WorkerCheck) -> bool:
    try:
        return Path(asked.claim).read_text(encoding="utf-8") == asked.signed
    except (OSError, UnicodeDecodeError):
        return False


def halt(run: str) -> None:
    """No further frame of a run begins in this process."""
    _halted.add(run)


def work(text: str) -> str:
    """Do the frames of a chunk, given and answered as JSON."""
    chunk = wire.Chunk.model_validate_json(text)
    where = str(get_worker().address)
    refused = _checked(chunk.look)
    if refused:
        return wire.Answer(worker=where, refused=refused).model_dump_json()
    begun = time.monotonic()
    outcomes: list[FrameEntry | Failed] = []
    with suppress(KeyboardInterrupt):  # stopped: what is left is reported as such
        work = local.run(chunk.document, run_frame, jobs=1, stop=_Stop(chunk.look))
        outcomes.extend(work)
    there = {outcome.number for outcome in outcomes}
    answer = wire.Answer(
        worker=where,
        done=tuple(outcome for outcome in outcomes if not isinstance(outcome, Failed)),
        failed=tuple(outcome for outcome in outcomes if isinstance(outcome, Failed)),
        left=tuple(e.number for e in chunk.document.frames if e.number not in there),
        seconds=time.monotonic() - begun,
    )
    return answer.model_dump_json()


class _Stop(threading.Event):
    """Set as soon as the run is halted, or the shot's claim is no longer its parent's."""

    def __init__(self, look: wire.WorkerCheck) -> None:
        super().__init__()
        self._look = look

    def is_set(self) -> bool:
        return self._look.run in _halted or not _claimed(self._look)


def sweep(folders: Sequence[str]) -> None:
    """Remove what dead workers of this machine left half-written."""
    for folder in folders:
        atomic.sweep(Path(folder))

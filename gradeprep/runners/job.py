"""A whole plan, run: shot after shot, resumed where asked, each with its sidecar at the end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from gradeprep import crashreport, sidecar
from gradeprep.errors import WriteError
from gradeprep.machine import processors
from gradeprep.model.record import FrameRecord, ShotRecord
from gradeprep.pipeline.planned import Plan, ShotPlan
from gradeprep.runners.claim import claimed
from gradeprep.runners.engine import Engine
from gradeprep.runners.journal import Journal, known_records, still_right
from gradeprep.runners.local import Local
from gradeprep.runners.one import Failed
from gradeprep.runners.records import Records
from gradeprep.runners.seal import Sealed, absolute, blank_records, others_known, relative, seal

__all__ = ["Job", "Progress", "ShotResult", "run_plan"]


@dataclass(frozen=True, slots=True)
class Progress:
    """One frame is done, or failed, or was kept.

    Attributes:
        shot: Name of the shot.
        done: Frames of the shot behind us.
        total: Frames of the shot.
        number: Frame number.
        error: One line where it failed.
    """

    shot: str
    done: int
    total: int
    number: int
    error: str = ""


@dataclass(frozen=True, slots=True)
class ShotResult:
    """What became of one shot.

    Attributes:
        sealed: What the sidecar says; None where no frame was done.
        sidecar: Where it stands.
        kept: Frames kept from an earlier run.
        failed: Frames that failed.
        error: Why the shot was not begun, in one line.
    """

    sealed: Sealed | None = None
    sidecar: Path | None = None
    kept: int = 0
    failed: tuple[Failed, ...] = ()
    error: str = ""

    @property
    def record(self) -> ShotRecord | None:
        """What the sidecar says, whole; None where no frame was done."""
        return None if self.sealed is None else self.sealed.record


@dataclass(frozen=True, slots=True)
class Job:
    """What became of a plan."""

    shots: Mapping[str, ShotResult] = field(default_factory=dict)

    @property
    def clean(self) -> bool:
        """Whether every frame of every shot was done."""
        return not any(shot.error or shot.failed for shot in self.shots.values())


def run_plan(
    plan: Plan,
    *,
    engine: Engine | None = None,
    resume: bool = False,
    tell: Callable[[Progress], None] = lambda progress: None,
    stop: threading.Event | None = None,
) -> Job:
    """Run a plan.

    Args:
        plan: What was decided.
        engine: What runs the frames; begun here, if there are any, and ended. This machine,
            with all its processors, when left out.
        resume: Keep results that are byte for byte what an earlier run of the same decision
            recorded, from sources that are unchanged too.
        tell: Called after every frame.
        stop: Set by somebody else to end early.

    Raises:
        KeyboardInterrupt: ``stop`` was set; frames in flight were finished and stand in the
            journal for ``resume``.
        OutputRefusedError: Another run holds the results of a shot, they are not as they were
            planned, or a sidecar that stands there tells of something else; nothing was touched.
        RequestError: The engine cannot run it; nothing was written.
    """
    results = {name: ShotResult(error=str(error)) for name, error in plan.failed.items()}
    engine = engine or Local(processors())
    manner = _Manner(engine, resume, tell, stop or threading.Event())
    with ExitStack() as life:
        # One order for everybody: two runs of one recipe never refuse each other both.
        for shot in sorted(plan.shots.values(), key=lambda shot: (shot.folder, shot.task.shot)):
            try:
                if not shot.blocked:
                    life.enter_context(claimed(shot))
            except WriteError as error:
                results[shot.task.shot] = ShotResult(error=str(error.at(shot=shot.task.shot)))
        ours = {name: shot for name, shot in plan.shots.items() if name not in results}
        tasks = [shot.task for shot in ours.values() if not shot.blocked]
        if tasks:
            life.enter_context(engine)  # left before the claims are: nobody writes without one
            engine.ready(tasks)
        crashreport.begun()
        for name, shot in ours.items():
            results[name] = _run_shot(shot, manner)
    return Job({name: results[name] for name in (*plan.failed, *plan.shots)})


@dataclass(frozen=True, slots=True)
class _Manner:
    """How a plan is run; the same for all its shots."""

    engine: Engine
    resume: bool
    tell: Callable[[Progress], None]
    stop: threading.Event


def _run_shot(shot: ShotPlan, manner: _Manner) -> ShotResult:
    if shot.blocked:
        first = shot.blocked[0]
        return ShotResult(error=f"{shot.task.shot}: {first.what}; {first.remedy}")
    path = sidecar.path_for(shot.folder, shot.task.shot)
    known = known_records(path, shot.task.digest)[1]
    journal = Journal(shot.folder, shot.task.shot, shot.task.digest)
    records = blank_records(shot, others_known(shot, known))
    before = sidecar.merged((absolute(one, shot.folder) for one in known), journal.records)
    kept = _kept(shot, before) if manner.resume and before else ()
    failed: tuple[Failed, ...] = ()
    try:
        failed = _frames(shot, kept, records, journal, manner)
        result = seal(shot, path, records, failed)
        journal.remove()
    except WriteError as error:  # where frames are done, their journal stays for --resume
        return ShotResult(kept=len(kept), failed=failed, error=str(error.at(shot=shot.task.shot)))
    return ShotResult(result, path if result else None, len(kept), failed)


def _kept(shot: ShotPlan, candidates: tuple[FrameRecord, ...]) -> tuple[FrameRecord, ...]:
    by_number = {record.number: record for record in candidates}
    kept = []
    for order in shot.task.frames:
        record = by_number.get(order.number)
        if record is not None and still_right(record, Path(order.source), Path(order.result)):
            kept.append(record)
    return tuple(kept)


def _frames(
    shot: ShotPlan,
    kept: tuple[FrameRecord, ...],
    records: Records,
    journal: Journal,
    manner: _Manner,
) -> tuple[Failed, ...]:
    """Do the frames that are not kept; their records, and those of the kept, are added."""
    name, total = shot.task.shot, len(shot.task.frames)
    there = {record.number for record in kept}
    failed: list[Failed] = []
    for done, record in enumerate(kept, 1):
        records.add(relative(record, shot.folder))
        manner.tell(Progress(name, done, total, record.number))
    todo = shot.task
    if there:
        todo = todo.only([order for order in todo.frames if order.number not in there])
    if not todo.frames:
        return ()
    work = manner.engine.run(todo, stop=manner.stop)
    with journal, closing(work):
        for done, outcome in enumerate(work, len(kept) + 1):
            error = ""
            if isinstance(outcome, Failed):
                failed.append(outcome)
                error = outcome.error
            else:
                records.add(relative(outcome, shot.folder))
                journal.add(outcome)
            manner.tell(Progress(name, done, total, outcome.number, error))
    return tuple(sorted(failed, key=lambda frame: frame.number))

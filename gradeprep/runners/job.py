"""A whole plan, run: shot after shot, resumed where asked, each with its sidecar at the end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import gradeprep
from gradeprep import sidecar
from gradeprep.errors import WriteError
from gradeprep.machine import processors
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import FileRecord, Finding, FrameRecord, ShotRecord
from gradeprep.pipeline.flow import run_frame
from gradeprep.pipeline.planned import Plan, ShotPlan
from gradeprep.runners import local
from gradeprep.runners.claim import claimed
from gradeprep.runners.journal import Journal, known_records, still_right
from gradeprep.runners.one import Failed

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
        record: What the sidecar says; None where no frame was done.
        sidecar: Where it stands.
        kept: Frames kept from an earlier run.
        failed: Frames that failed.
        error: Why the shot was not begun, in one line.
    """

    record: ShotRecord | None = None
    sidecar: Path | None = None
    kept: int = 0
    failed: tuple[Failed, ...] = ()
    error: str = ""


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
    jobs: int | None = None,
    resume: bool = False,
    tell: Callable[[Progress], None] = lambda progress: None,
    stop: threading.Event | None = None,
) -> Job:
    """Run a plan on this machine.

    Args:
        plan: What was decided.
        jobs: Frames at once; all processors when left out.
        resume: Keep results that are byte for byte what an earlier run of the same decision
            recorded, from sources that are unchanged too.
        tell: Called after every frame.
        stop: Set by somebody else to end early.

    Raises:
        KeyboardInterrupt: ``stop`` was set; frames in flight were finished and stand in the
            journal for ``resume``.
        OutputRefusedError: Another run holds the results of a shot, they are not as they were
            planned, or a sidecar that stands there tells of something else; nothing was touched.
    """
    results = {name: ShotResult(error=str(error)) for name, error in plan.failed.items()}
    manner = _Manner(jobs or processors(), resume, tell, stop or threading.Event())
    with ExitStack() as claims:
        # One order for everybody: two runs of one recipe never refuse each other both.
        for shot in sorted(plan.shots.values(), key=lambda shot: (shot.folder, shot.task.shot)):
            try:
                if not shot.blocked:
                    claims.enter_context(claimed(shot))
            except WriteError as error:
                results[shot.task.shot] = ShotResult(error=str(error.at(shot=shot.task.shot)))
        for name, shot in plan.shots.items():
            if name not in results:
                results[name] = _run_shot(shot, manner)
    return Job({name: results[name] for name in (*plan.failed, *plan.shots)})


@dataclass(frozen=True, slots=True)
class _Manner:
    """How a plan is run; the same for all its shots."""

    jobs: int
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
    own = {order.number for order in shot.task.frames}
    others = tuple(record for record in known if record.number not in own)
    before = sidecar.merged(_absolute(known, shot.folder), journal.records)
    kept = _kept(shot, before) if manner.resume else ()
    failed: tuple[Failed, ...] = ()
    try:
        records, failed = _frames(shot, kept, journal, manner)
        result = _seal(shot, path, others, (*kept, *records), failed)
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
    journal: Journal,
    manner: _Manner,
) -> tuple[tuple[FrameRecord, ...], tuple[Failed, ...]]:
    name, total = shot.task.shot, len(shot.task.frames)
    there = {record.number for record in kept}
    records: list[FrameRecord] = []
    failed: list[Failed] = []
    for done, record in enumerate(kept, 1):
        manner.tell(Progress(name, done, total, record.number))
    todo = tuple(order for order in shot.task.frames if order.number not in there)
    if not todo:
        return (), ()
    work = local.run(shot.task.only(todo), run_frame, jobs=manner.jobs, stop=manner.stop)
    with journal, closing(work):
        for outcome in work:
            error = ""
            if isinstance(outcome, Failed):
                failed.append(outcome)
                error = outcome.error
            else:
                records.append(outcome)
                journal.add(outcome)
            done = len(kept) + len(records) + len(failed)
            manner.tell(Progress(name, done, total, outcome.number, error))
    return tuple(records), tuple(sorted(failed, key=lambda frame: frame.number))


def _seal(
    shot: ShotPlan,
    path: Path,
    others: tuple[FrameRecord, ...],
    done: tuple[FrameRecord, ...],
    failed: tuple[Failed, ...],
) -> ShotRecord | None:
    """Write the sidecar of all frames that stand there, or none where none does."""
    if not done and not others:
        return None
    frames = sidecar.merged(others, _relative(done, shot.folder))
    task, first = shot.task, shot.task.frames[0]
    losses = tuple(
        Finding(severity="fail", what=frame.error, frame=frame.number) for frame in failed
    )
    told = str(FrameRange.of(record.number for record in frames))
    record = ShotRecord(
        tool=f"gradeprep {gradeprep.__version__}",
        shot=task.shot,
        digest=task.digest,
        source=shot.source.model_copy(
            update={
                "pattern": sidecar.relative(shot.source.pattern, shot.folder),
                "frames": told,
            }
        ),
        result=shot.result.model_copy(
            update={
                "pattern": sidecar.relative(shot.result.pattern, shot.folder),
                "frames": told,
            }
        ),
        colour=task.colour,
        stages=first.stages,
        layers=task.layers,
        nonfinite=task.nonfinite,
        output=task.output,
        again=first.history,
        reading=shot.readings,
        findings=(*shot.findings, *_losses(frames), *losses),
        reversible=shot.reversible,
        arithmetic=task.arithmetic,
        carried=shot.carried,
        frames=frames,
        dated={"written": datetime.now(UTC).isoformat(timespec="seconds")},
    )
    sidecar.save(record, path)
    return record


def _losses(frames: tuple[FrameRecord, ...]) -> list[Finding]:
    """Samples that left the result's type, told once a shot."""
    found = []
    for word, remedy in (
        ("overflow", "write a larger type (output.type: float), or pull less"),
        ("nonfinite", "paint them out, or keep them knowingly"),
    ):
        counts = {record.number: getattr(record.counts, word) for record in frames}
        total = sum(counts.values())
        if total:
            worst = max(counts, key=lambda number: counts[number])
            found.append(
                Finding(
                    severity="warn",
                    what=f"{word}: {total} samples in {sum(map(bool, counts.values()))} frames",
                    frame=worst,
                    numbers={"samples": total, "in_worst_frame": counts[worst]},
                    remedy=remedy,
                )
            )
    return found


def _moved(records: tuple[FrameRecord, ...], move: Callable[[str], str]) -> tuple[FrameRecord, ...]:
    def at(file: FileRecord) -> FileRecord:
        return file.model_copy(update={"file": move(file.file)})

    return tuple(
        record.model_copy(update={"source": at(record.source), "result": at(record.result)})
        for record in records
    )


def _relative(records: tuple[FrameRecord, ...], folder: Path) -> tuple[FrameRecord, ...]:
    return _moved(records, lambda told: sidecar.relative(told, folder))


def _absolute(records: tuple[FrameRecord, ...], folder: Path) -> tuple[FrameRecord, ...]:
    return _moved(records, lambda told: str(sidecar.absolute(told, folder)))

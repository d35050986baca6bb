"""A whole plan, run: shot after shot, resumed where asked, each with its sidecar at the end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from gradeprep import crashreport, sidecar
from gradeprep.errors import WriteError
from gradeprep.machine import processors
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.planned import Plan
from gradeprep.runners.claim import claimed
from gradeprep.runners.engine import Engine
from gradeprep.runners.journal import Journal, kept_frames, known_frames
from gradeprep.runners.local import Local
from gradeprep.runners.loop import Progress, run_frames
from gradeprep.runners.outcome import Failed
from gradeprep.runners.seal import blank_records, others_known, seal

__all__ = ["Job", "Progress", "ShotResult", "run_plan"]


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

    record: ShotDocument | None = None
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
    engine: Engine | None = None,
    resume: bool = False,
    report: Callable[[Progress], None] = lambda progress: None,
    stop: threading.Event | None = None,
) -> Job:
    """Run a plan.

    Args:
        plan: What was decided.
        engine: What runs the frames; begun here, if there are any, and ended. This machine,
            with all its processors, when left out.
        resume: Keep results that are byte for byte what an earlier run of the same decision
            recorded, from sources that are unchanged too.
        report: Called after every frame.
        stop: Set by somebody else to end early.

    Raises:
        KeyboardInterrupt: ``stop`` was set; frames in flight were finished and stand in the
            journal for ``resume``.
        OutputRefusedError: Another run holds the results of a shot, they are not as they were
            planned, or a sidecar that stands there describes something else; nothing was touched.
        RequestError: The engine cannot run it; nothing was written.
    """
    results = {name: ShotResult(error=str(error)) for name, error in plan.failed.items()}
    engine = engine or Local(processors())
    manner = _Manner(engine, resume, report, stop or threading.Event())
    with ExitStack() as life:
        # One order for everybody: two runs of one recipe never refuse each other both.
        for name, shot in sorted(plan.shots.items(), key=lambda it: (it[1].folder, it[0])):
            try:
                if not shot.blocked:
                    claim = claimed(
                        shot.document, real_folder=shot.real_folder, existing=shot.existing
                    )
                    life.enter_context(claim)
            except WriteError as error:
                results[name] = ShotResult(error=str(error.at(shot=name)))
        ours = {name: shot for name, shot in plan.shots.items() if name not in results}
        documents = [shot.document for shot in ours.values() if not shot.blocked]
        if documents:
            life.enter_context(engine)  # left before the claims are: nobody writes without one
            engine.ready(documents)
        crashreport.begun()
        for name, shot in ours.items():
            results[name] = _run_shot(shot.document, manner)
    return Job({name: results[name] for name in (*plan.failed, *plan.shots)})


@dataclass(frozen=True, slots=True)
class _Manner:
    """How a plan is run; the same for all its shots."""

    engine: Engine
    resume: bool
    report: Callable[[Progress], None]
    stop: threading.Event


def _run_shot(document: ShotDocument, manner: _Manner) -> ShotResult:
    if document.blocked:
        first = document.blocked[0]
        return ShotResult(error=f"{document.shot}: {first.what}; {first.remedy}")
    name, folder = document.shot, Path(document.folder)
    path = sidecar.path_for(folder, name)
    known = known_frames(path, document.digest)[1]
    journal = Journal(folder, name, document.digest)
    records = blank_records(document, others_known(document, known))
    before = sidecar.merged(known, journal.frames)
    kept = kept_frames(document, before) if manner.resume and before else ()
    for entry in kept:
        records.add(entry)

    def keep(entry: FrameEntry) -> None:
        filed = sidecar.filed_entry(entry, folder)
        records.add(filed)
        journal.add(filed)

    failed: tuple[Failed, ...] = ()
    try:
        with journal:
            failed = run_frames(
                document, kept, manner.engine, keep=keep, report=manner.report, stop=manner.stop
            )
        record = seal(document, path, records, failed)
        journal.remove()
    except WriteError as error:  # where frames are done, their journal stays for --resume
        return ShotResult(kept=len(kept), failed=failed, error=str(error.at(shot=name)))
    return ShotResult(record, path if record else None, len(kept), failed)

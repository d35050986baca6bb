"""One shot run from the page, with its progress."""

from __future__ import annotations

import threading
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from gradeprep.errors import GradeprepError, OutputRefusedError
from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.runners.job import Job, Progress, run_plan
from gradeprep.runners.local import Local

__all__ = ["State", "Work"]


@dataclass(frozen=True, slots=True)
class State:
    """How far a run is.

    Attributes:
        shot: Name of the shot; empty before the first run.
        state: ``idle`` before the first run.
        done: Frames behind us.
        total: Frames of the shot; 0 while it is planned.
        frame: Frame that was done last.
        error: Lines of what failed.
        line: What happens, in words.
    """

    shot: str = ""
    state: Literal["idle", "running", "done", "failed", "stopped"] = "idle"
    done: int = 0
    total: int = 0
    frame: int | None = None
    error: str = ""
    line: str = ""

    def as_data(self) -> dict[str, Any]:
        """It as plain data."""
        return asdict(self)


@dataclass
class Work:
    """Runs one shot at a time on a thread of its own; results that are right are kept.

    Args:
        config: The config of the command line, where the recipe names none.
    """

    config: str | None = None
    now: State = field(init=False, default=State())
    _stop: threading.Event = field(init=False, default_factory=threading.Event)
    _thread: threading.Thread | None = field(init=False, default=None)
    _lock: threading.Lock = field(init=False, default_factory=threading.Lock)

    @property
    def running(self) -> bool:
        """Whether a run is going."""
        return self.now.state == "running"

    def start(self, recipe: Recipe, folder: Path, shot: str) -> None:
        """Begin to run a shot.

        Raises:
            OutputRefusedError: One runs already.
        """
        with self._lock:
            if self.running:
                raise OutputRefusedError(
                    "is being run already", shot=self.now.shot, remedy="wait until it ends"
                )
            self._stop = threading.Event()
            self.now = State(shot, "running", line=f"{shot}: deciding every frame")
            self._thread = threading.Thread(
                target=self._work, args=(recipe, folder, shot, self._stop), daemon=True
            )
            self._thread.start()

    def stop(self) -> None:
        """Begin no other frame; those in flight are finished, and a next run keeps them."""
        self._stop.set()

    def join(self) -> None:
        """Wait until what runs has ended."""
        if self._thread is not None:
            self._thread.join()

    def _work(self, recipe: Recipe, folder: Path, shot: str, stop: threading.Event) -> None:
        try:
            wish = Options(self.config, resume=True)
            plan = make_plan(recipe, folder, wish, shots=[shot])
            if stop.is_set():
                raise KeyboardInterrupt
            engine = Local()
            job = run_plan(plan, engine=engine, resume=True, report=self._progress, stop=stop)
            self._ended(shot, job)
        except KeyboardInterrupt:
            line = f"{shot}: stopped; frames that were done are kept for the next run"
            self.now = replace(self.now, state="stopped", line=line)
        except GradeprepError as error:
            self._failed(shot, str(error.at(shot=shot)))
        except Exception as error:  # whatever it is, the page shows it
            self._failed(shot, f"{shot}: internal error: {type(error).__name__}: {error}")

    def _progress(self, progress: Progress) -> None:
        errors = "\n".join(line for line in (self.now.error, progress.error) if line)
        self.now = replace(
            self.now,
            done=progress.done,
            total=progress.total,
            frame=progress.number,
            error=errors,
            line=f"{progress.shot}: {progress.done} of {progress.total} frames",
        )

    def _ended(self, shot: str, job: Job) -> None:
        result = job.shots[shot]
        if result.error or result.failed:
            lines = (result.error, *(frame.error for frame in result.failed))
            self._failed(shot, "\n".join(line for line in lines if line))
            return
        kept = f", {result.kept} of them kept" if result.kept else ""
        name = "" if result.sidecar is None else f"; {result.sidecar.name} records them"
        line = f"{shot}: {self.now.total} frames done{kept}{name}"
        self.now = replace(self.now, state="done", line=line)

    def _failed(self, shot: str, error: str) -> None:
        self.now = replace(self.now, state="failed", error=error, line=f"{shot}: failed")

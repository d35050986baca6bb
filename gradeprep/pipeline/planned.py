"""What a plan is: everything decided for every shot, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding, PlateRecord, Reading, Reversible
from gradeprep.model.task import Task

__all__ = ["Options", "Plan", "ShotPlan", "plan_json"]


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line may say over a recipe.

    Attributes:
        config: Config where the recipe names none.
        frames: Only these frames of every shot.
        overwrite: Write over results that exist.
        resume: Keep results that exist and verify; do the others.
    """

    config: str | None = None
    frames: FrameRange | None = None
    overwrite: bool = False
    resume: bool = False


@dataclass(frozen=True, slots=True)
class ShotPlan:
    """Everything decided for one shot.

    Attributes:
        task: The orders for all its frames.
        source: The source plate, for the sidecar.
        result: The result plate, for the sidecar.
        folder: Where the results and the sidecar stand.
        real_folder: The same with every link resolved, as it was when this was planned.
        kernels: Arithmetic to number of frames it serves.
        space_from: Who named the source's space.
        readings: What the meters read.
        findings: What was noticed.
        reversible: Whether and how exactly it can be taken back.
        bytes_needed: Bytes that the results take.
        bytes_close: Whether that is close, or only an upper bound.
        bytes_free: Free bytes where they go.
        existing: Results that exist already.
        carried: What the recipe passes on into the sidecar.
    """

    task: Task
    source: PlateRecord
    result: PlateRecord
    folder: Path
    real_folder: str
    kernels: Mapping[str, int]
    space_from: str
    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    reversible: Reversible
    bytes_needed: int
    bytes_close: bool
    bytes_free: int
    existing: tuple[Path, ...]
    carried: Mapping[str, Any] = field(default_factory=dict)

    @property
    def blocked(self) -> tuple[Finding, ...]:
        """Findings that stop the shot."""
        return tuple(finding for finding in self.findings if finding.severity == "fail")


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole recipe, decided.

    Attributes:
        config: Name of the config, and who named it.
        shots: What is to be done, by shot.
        failed: Shots whose plates are bad, with the reason.
    """

    config: tuple[str, str]
    shots: Mapping[str, ShotPlan]
    failed: Mapping[str, GradeprepError] = field(default_factory=dict)


def plan_json(plan: Plan) -> dict[str, Any]:
    """A plan as plain data: every decision, tasks included."""
    return {
        "config": {"name": plan.config[0], "from": plan.config[1]},
        "shots": {name: _shot_json(shot) for name, shot in plan.shots.items()},
        "failed": {name: str(error) for name, error in plan.failed.items()},
    }


def _shot_json(shot: ShotPlan) -> dict[str, Any]:
    return {
        "source": shot.source.model_dump(mode="json"),
        "result": shot.result.model_dump(mode="json"),
        "space_from": shot.space_from,
        "kernels": dict(shot.kernels),
        "readings": [reading.model_dump(mode="json") for reading in shot.readings],
        "findings": [finding.model_dump(mode="json") for finding in shot.findings],
        "reversible": shot.reversible.model_dump(mode="json"),
        "bytes_needed": shot.bytes_needed,
        "bytes_close": shot.bytes_close,
        "bytes_free": shot.bytes_free,
        "existing": [str(path) for path in shot.existing],
        "task": shot.task.model_dump(mode="json"),
    }

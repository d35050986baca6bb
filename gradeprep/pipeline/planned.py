"""What a plan is: everything decided for every shot, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.model.shot import ShotDocument

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
    """A shot's document, and what only its planning says about the disk.

    Attributes:
        document: Everything decided for the shot.
        space_from: What named the source's space.
        real_folder: The results' folder with every link resolved, as it was when planned.
        existing: Results that exist already.
        bytes_needed: Bytes that the results take.
        bytes_close: Whether that is close, or only an upper bound.
        bytes_free: Free bytes where they go.
    """

    document: ShotDocument
    space_from: str
    real_folder: str
    existing: tuple[Path, ...]
    bytes_needed: int
    bytes_close: bool
    bytes_free: int

    @property
    def folder(self) -> Path:
        """Folder of the results and of the sidecar."""
        return Path(self.document.folder)

    @property
    def blocked(self) -> tuple[Finding, ...]:
        """Findings that stop the shot."""
        return self.document.blocked

    @property
    def kernels(self) -> dict[str, int]:
        """Arithmetic to number of frames it serves."""
        return self.document.kernels


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
    """A plan as plain data: every shot's document, and what the disk has."""
    return {
        "config": {"name": plan.config[0], "from": plan.config[1]},
        "shots": {name: _shot_json(shot) for name, shot in plan.shots.items()},
        "failed": {name: str(error) for name, error in plan.failed.items()},
    }


def _shot_json(shot: ShotPlan) -> dict[str, Any]:
    return {
        "space_from": shot.space_from,
        "kernels": shot.kernels,
        "bytes_needed": shot.bytes_needed,
        "bytes_close": shot.bytes_close,
        "bytes_free": shot.bytes_free,
        "existing": [str(path) for path in shot.existing],
        "document": shot.document.model_dump(mode="json", by_alias=True),
    }

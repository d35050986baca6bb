"""The documents of `measure` and `check`: readings and findings of one plate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument
from gradeprep.model.record import Finding, Reading

__all__ = ["CheckDocument", "CurveDocument", "MeasureDocument", "SceneDocument", "SceneShot"]


class CurveDocument(CommandDocument):
    """Readings over time, and the keys they come down to.

    Attributes:
        keys: Frame to stops, as a `pull` takes them.
        segments: What the exposure does: ``level``, ``ramp`` or ``step``, with its frames.
        flicker: Root mean square of what the keys leave unexplained, in stops.
        warnings: What a reader of the curve must know.
    """

    keys: Mapping[int, float]
    segments: tuple[str, ...] = ()
    flicker: float
    warnings: tuple[str, ...] = ()


class MeasureDocument(CommandDocument):
    """The document of ``gradeprep measure PLATE --json``.

    Attributes:
        version: Version of the document's format.
        plate: The plate's files.
        space: Its colour space.
        reading: The reading of the plate; None where every frame was read by itself.
        frames: Frame to its own reading, where that was asked for.
        failed: Frame to the reason why it gave no reading.
        curve: What the frames' readings come down to.
    """

    version: Literal[1] = Field(1, alias="gradeprep_measure")
    plate: str
    space: str
    reading: Reading | None = None
    frames: Mapping[int, Reading] = {}
    failed: Mapping[int, str] = {}
    curve: CurveDocument | None = None


class SceneShot(CommandDocument):
    """A shot of a scene, solved together with the others.

    Attributes:
        stops: Pull that brings it to the hero, in stops.
        sigma: One standard deviation of it, in stops.
        pairs: Readings that it rests on.
    """

    stops: float
    sigma: float
    pairs: int


class SceneDocument(CommandDocument):
    """The document of ``gradeprep measure --scene RECIPE --json``.

    Attributes:
        version: Version of the document's format.
        hero: The shot the others are brought to.
        shots: Shot to its result.
        outliers: Pair readings that contradict the rest, in words.
        warnings: What a reader of the result must know.
        failed: Pairs that gave no reading, in words.
    """

    version: Literal[1] = Field(1, alias="gradeprep_scene")
    hero: str
    shots: Mapping[str, SceneShot]
    outliers: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()


class CheckDocument(CommandDocument):
    """The document of ``gradeprep check --json``.

    Attributes:
        version: Version of the document's format.
        shots: Shot (or plate) to its findings.
        failed: Shot to the reason why it could not be looked at.
        against: Comparison with another plate, where that was asked for.
    """

    version: Literal[1] = Field(1, alias="gradeprep_check")
    shots: Mapping[str, tuple[Finding, ...]]
    failed: Mapping[str, str] = {}
    against: Mapping[str, Any] | None = None

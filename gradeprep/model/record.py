"""What was done: one record a frame, readings and findings beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from gradeprep.model.task import ColourOrder, OutputOrder, StageOrder

__all__ = [
    "Counts",
    "FileRecord",
    "Finding",
    "FrameRecord",
    "PlateRecord",
    "Reading",
    "Recorded",
    "Reversible",
    "ShotRecord",
]


class Recorded(BaseModel):
    """Base of the recorded side: frozen, nothing unknown in it, no number that JSON lacks."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        defer_build=True,
        cache_strings="keys",  # hashes and names of ten thousand frames come once each
    )


class Reading(Recorded):
    """A meter's estimate of how many stops a plate is over.

    Attributes:
        meter: Name of the meter.
        stops: The pull that the reading asks for, in stops (negative: the plate is hot).
        sigma: One standard deviation of ``stops``, in stops.
        balance: Per-channel stops that would make the metered patch neutral, if read.
        weak: True when the number says little about exposure by itself.
        evidence: Frames, region, values, pixels used and rejected.
        warnings: What a reader of the number must know.
    """

    meter: str
    stops: float
    sigma: float
    balance: tuple[float, float, float] | None = None
    weak: bool = False
    evidence: Mapping[str, Any] = {}
    warnings: tuple[str, ...] = ()


class Finding(Recorded):
    """Something a check or the plan noticed.

    Attributes:
        severity: ``note`` (good to know), ``warn`` (look at it), ``fail`` (stops the shot).
        what: One sentence.
        frame: Frame number, if it concerns one.
        channel: Channel, if it concerns one.
        numbers: The numbers behind the sentence.
        remedy: What to do.
    """

    severity: Literal["note", "warn", "fail"]
    what: str
    frame: int | None = None
    channel: str | None = None
    numbers: Mapping[str, Any] = {}
    remedy: str = ""

    @property
    def line(self) -> str:
        """One line: where, what, and what to do."""
        where = [] if self.frame is None else [f"frame {self.frame}"]
        where += [] if self.channel is None else [self.channel]
        place = f"{', '.join(where)}: " if where else ""
        return f"{place}{self.what}" + (f"; {self.remedy}" if self.remedy else "")


class FileRecord(Recorded):
    """One file as it stood when the frame was done.

    Attributes:
        file: Its path; a sidecar tells it relative to its own folder.
        bytes: Its size.
        hash: Hash of its bytes: ``xxh128:`` and 32 hexadecimal digits.
    """

    file: str
    bytes: int
    hash: str


class Counts(Recorded):
    """Samples (channel values, not pixels) that did not pass as plain numbers.

    Attributes:
        clipped: Channel to samples at the largest value the source's type or code holds.
        nonfinite: NaN or infinite in the source; carried through as they were.
        overflow: Finite in the source, beyond the result's type (infinite, or clamped to the
            code range in an integer type).
        underflow: Below the result type's normal range and rounded (IEEE 754 underflow);
            what the samples lost there cannot be given back.
    """

    clipped: Mapping[str, int] = {}
    nonfinite: int = 0
    overflow: int = 0
    underflow: int = 0


class FrameRecord(Recorded):
    """What was done to one frame.

    Attributes:
        number: Frame number.
        stops: Exposure change of the pull on this frame, in stops.
        before: Exposure change that the source had undergone before, in stops.
        stages: Stages in the order applied, every number in them.
        kernel: Arithmetic that was used.
        counts: Samples that did not pass as plain numbers.
        header: Header fields that were restamped or left out, with the reason.
        timecode: SMPTE ST 12-1 label of the frame, if it has one.
        source: The source file.
        result: The written file.
    """

    number: int
    stops: float
    before: float = 0.0
    stages: tuple[StageOrder, ...]
    kernel: str
    counts: Counts
    header: tuple[str, ...] = ()
    timecode: str | None = None
    source: FileRecord
    result: FileRecord


class PlateRecord(Recorded):
    """One side of the job: the source plate or the result.

    Attributes:
        pattern: Its files; a sidecar tells them relative to its own folder.
        frames: Frame range.
        format: ``exr``, ``dpx``, or the name of another format.
        type: Type of the colour channels.
        compression: Name of the compression; ``none`` where there is none.
        timecode: First and last label, if the files have them.
        rate: Frames per second, if the files tell.
    """

    pattern: str
    frames: str
    format: str
    type: str
    compression: str
    timecode: tuple[str, str] | None = None
    rate: str | None = None


class Reversible(Recorded):
    """Whether, and how exactly, ``restore`` gives the source back.

    Attributes:
        exact: True when restored pixels are bit-identical (where no underflow is counted).
        ulp: Bound of the error in units in the last place of the source's type, or None where
            none can be stated.
        why: The reason in one sentence.
    """

    exact: bool
    ulp: float | None
    why: str


class ShotRecord(Recorded):
    """The content of a sidecar: all that was decided for, and done to, one shot.

    Attributes:
        format: Version of the sidecar format.
        tool: Name and version of the program.
        shot: Name of the shot.
        digest: Hash of the decision, as the plates' headers carry it.
        source: The source plate.
        result: The result plate.
        colour: Config, hash, spaces.
        stages: Stages as decided for the first frame, for a reader's first glance.
        layers: Layers that were treated as colour.
        nonfinite: Policy for non-finite pixels.
        output: What was written.
        again: Digests of recipes that the source had undergone before, oldest first.
        reading: The meters' readings that the decision rests on.
        findings: What was noticed.
        reversible: Whether and how exactly it can be taken back.
        arithmetic: Version of the arithmetic.
        carried: What the recipe passes on; it decided nothing.
        frames: One record a frame, by number.
        dated: Everything that differs between two equal runs.
    """

    format: Literal[1] = Field(1, alias="gradeprep_sidecar")
    tool: str
    shot: str
    digest: str
    source: PlateRecord
    result: PlateRecord
    colour: ColourOrder
    stages: tuple[StageOrder, ...]
    layers: tuple[str, ...]
    nonfinite: Literal["keep", "fail"]
    output: OutputOrder
    again: tuple[str, ...] = ()
    reading: tuple[Reading, ...] = ()
    findings: tuple[Finding, ...] = ()
    reversible: Reversible
    arithmetic: int
    carried: Mapping[str, Any] = {}
    frames: tuple[FrameRecord, ...] = Field(json_schema_extra={"minItems": 1})
    dated: Mapping[str, str] = {}

    model_config = ConfigDict(populate_by_name=True)

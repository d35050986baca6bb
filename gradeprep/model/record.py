"""What was measured, noticed and done: the parts of a shot's document."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

__all__ = [
    "Counts",
    "FileMark",
    "Finding",
    "PlateRecord",
    "Reading",
    "Recorded",
    "Reversible",
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


class FileMark(Recorded):
    """What a file was when its frame was done.

    Attributes:
        bytes: Size in bytes.
        hash: Hash of its bytes: ``xxh128:`` and 32 hexadecimal digits.
    """

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


class PlateRecord(Recorded):
    """One side of the job: the source plate or the result.

    Attributes:
        pattern: Its files; in a sidecar relative to its own folder.
        frames: Frame range.
        format: ``exr``, ``dpx``, or the name of another format.
        type: Type of the colour channels.
        compression: Name of the compression; ``none`` where there is none.
        timecode: First and last label, if the files have them.
        rate: Frames per second, if the files state it.
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

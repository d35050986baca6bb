"""The contracts: what a stage, a meter, a check and a hand-over promise.

A plugin is any class with these attributes; nothing here need be inherited. Every kind has

- ``name``: the word a recipe uses;
- ``summary``: one line for a person;
- ``Params``: a pydantic model of its parameters, ``extra="forbid"``; a field's description says
  its unit;
- ``api``: the version of these contracts that it was written for, `API`. One that does not say
  was written for the first.

An instance is made without arguments and holds no state: it may be called from several
processes and threads, in any order of frames.

What errors mean: ``ValueError`` and any `GradeprepError` fail the frame or the shot with their
one line; anything else is the plugin's bug and is reported as such, with the names of the plugin
and of the package that brings it.

`gradeprep.plugins.testing` holds a plugin against all this.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar, runtime_checkable

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel

from gradeprep.model.frame import Layout, Window
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding, Reading
from gradeprep.model.shot import ShotDocument

__all__ = [
    "API",
    "Check",
    "Decided",
    "Document",
    "Handover",
    "LeftOut",
    "Light",
    "Luminance",
    "Meter",
    "Numbers",
    "Pixels",
    "PlateView",
    "Scale",
    "Stage",
    "TonalStage",
]

API = 1
"""Version of the contracts: raised whenever a plugin that kept them would keep them no longer."""

Pixels = npt.NDArray[np.float32]
"""Scene-linear RGB in the working space: float32, H x W x 3, C-contiguous."""

Luminance = npt.NDArray[np.float32]
"""Scene-linear luminance, one value a pixel."""

T = TypeVar("T")

Numbers = Mapping[str, float | tuple[float, ...]]
"""A stage's decision for one frame: numbers only, stops unless the stage says otherwise."""


@dataclass(frozen=True, slots=True)
class Light:
    """What a stage may know of the picture besides its pixels.

    Attributes:
        weights: Luminance weights of the working space for R, G, B; they sum to 1.
        stops_to_come: Exposure change, in stops, of the stages still to be applied. Adding it
            to a tone gives where that tone will stand in the normalized picture.
    """

    weights: tuple[float, float, float]
    stops_to_come: float

    def luminance(self, rgb: Pixels) -> Luminance:
        """Luminance of pixels, ... x 3 float32 in, one float32 value a pixel out.

        The products are summed in the order R, G, B, so that it has the same bits on every
        processor; a matrix product has not, for each kernel of a BLAS sums in an order of its own.
        """
        red, green, blue = (np.float32(weight) for weight in self.weights)
        luminance: Luminance = rgb[..., 0] * red
        luminance += rgb[..., 1] * green
        luminance += rgb[..., 2] * blue
        return luminance


@runtime_checkable
class Stage(Protocol):
    """A step on scene-linear pixels.

    It sees a picture as some of its rows at a time, as many as the caller likes, so what it makes
    of a pixel depends on that pixel alone.

    A stage may also have ``before``: a tuple of names of stages that it must not follow (a recipe
    lifts this with ``order: as-written``). One that is a single gain for all three channels may
    implement `TonalStage`, and the fast kernels serve it.
    """

    name: str
    summary: str
    Params: type[BaseModel]

    def decide(self, params: Any, frame: int) -> Numbers:
        """The numbers for one frame. No parameter asks for a meter any more."""
        ...

    def exposure(self, numbers: Numbers) -> float:
        """Exposure change of the whole picture in stops; 0 for a stage that changes tones."""
        ...

    def gains(self, numbers: Numbers) -> tuple[float, float, float] | None:
        """Linear gain per channel when the stage is nothing more than that, else None."""
        ...

    def slope(self, numbers: Numbers) -> float | None:
        """Smallest slope of tone out against tone in, or None when there is no inverse.

        Tones in stops: a gain has slope 1. Rounding is magnified by its inverse on the way back.
        """
        ...

    def apply(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """New pixels, all finite where the given ones are; the given array may be reused."""
        ...

    def inverse(self, rgb: Pixels, numbers: Numbers, light: Light) -> Pixels:
        """Takes `apply` back; called only when `slope` is not None."""
        ...


@dataclass(frozen=True, slots=True)
class Scale:
    """What the recorded values of a plate mean and can hold.

    Recorded values are the samples as they stand in the file: a code as its share of the top
    code, a float as it is.

    Attributes:
        ceiling: Largest recorded value that the encoding holds: 1 for code values and log
            curves, 65504 for scene-linear half; None where there is no such end.
        step: Distance of two neighbouring codes; 0 for floats.
        log: Whether the values stand on a log curve.
        tone: Recorded values of a neutral to stops from grey; -inf at or under zero light.
    """

    ceiling: float | None
    step: float
    log: bool
    tone: Callable[[npt.NDArray[np.floating]], npt.NDArray[np.float64]]


@runtime_checkable
class TonalStage(Protocol):
    """What a stage may offer besides: its gain as a function of luminance alone.

    A stage whose gain is the same for all three channels, and depends on the pixel's luminance
    only, may be fused with others without any conversion of primaries. It must say the same as
    `Stage.apply` and `Stage.inverse` do.
    """

    def tone_gain(self, luminance: Luminance, numbers: Numbers, light: Light) -> Luminance:
        """Gain of each luminance; the given array is left as it is."""
        ...

    def tone_gain_back(self, luminance: Luminance, numbers: Numbers, light: Light) -> Luminance:
        """Gain that takes it back, of each luminance after the stage."""
        ...


class PlateView(Protocol):
    """A plate as meters and checks see it: before anything is applied, decoded on demand."""

    @property
    def shot(self) -> str:
        """Name of the shot."""
        ...

    @property
    def frames(self) -> FrameRange:
        """Frames of the shot."""
        ...

    @property
    def window(self) -> Window:
        """Display window: x, y, width, height."""
        ...

    @property
    def space(self) -> str:
        """Name of the plate's colour space."""
        ...

    @property
    def folder(self) -> Path:
        """Where the recipe stands; relative names of other files start there."""
        ...

    @property
    def weights(self) -> tuple[float, float, float]:
        """Luminance weights of the working space for R, G, B; they sum to 1."""
        ...

    @property
    def scale(self) -> Scale:
        """What the recorded values mean and can hold."""
        ...

    def sample(self, most: int) -> FrameRange:
        """At most so many frames, spread evenly from the first to the last, both among them."""
        ...

    def each(self, frames: Iterable[int], look: Callable[[int], T]) -> list[T]:
        """What ``look`` says of each frame, in their order; frames are looked at in parallel."""
        ...

    def pixels(self, frame: int) -> Pixels:
        """The frame's colour over its data window, in the working space; non-finite as 0.

        Read-only: shared between meters and checks.
        """
        ...

    def recorded(self, frame: int) -> Pixels:
        """The same samples as recorded, in the plate's own space and encoding; read-only."""
        ...

    def nonfinite(self, frame: int) -> int:
        """Number of non-finite samples in the frame's colour."""
        ...

    def region(self, frame: int, region: Sequence[float]) -> Pixels:
        """Pixels of x, y, width, height in the display window: pixels, or fractions to 1.

        Raises:
            ValueError: The region reaches out of the picture, or is empty.
        """
        ...

    def region_recorded(self, frame: int, region: Sequence[float]) -> Pixels:
        """The same region of the recorded samples.

        Raises:
            ValueError: The region reaches out of the picture, or is empty.
        """
        ...

    def header(self, frame: int) -> Mapping[str, Any]:
        """Header attributes of the part that holds the colour, as its codec reads them."""
        ...

    def layout(self, frame: int) -> Layout:
        """What the frame's file says of itself: size, types, timecode, rate."""
        ...

    def exposure(self, frame: int) -> float:
        """Stops that the recipe decided for this plate at a frame; 0 while it is undecided."""
        ...

    def normalized(self, frame: int) -> Pixels:
        """The frame after all decided stages, in the working space, nothing rounded yet."""
        ...

    def written(self, frame: int) -> Pixels:
        """The same as a reader of the result would decode it: rounded to the result's type."""
        ...

    def other(self, shot: str) -> PlateView:
        """Another shot of the recipe, its own exposure decided.

        Raises:
            ValueError: The recipe has no such shot, or it waits for this one.
        """
        ...


@runtime_checkable
class Meter(Protocol):
    """Estimates how many stops a plate is over."""

    name: str
    summary: str
    Params: type[BaseModel]

    def read(self, plate: PlateView, params: Any) -> Reading:
        """The reading. ``ValueError`` with one line where no honest number can be given."""
        ...


@runtime_checkable
class Check(Protocol):
    """Looks at a plate before anything is written."""

    name: str
    summary: str
    Params: type[BaseModel]

    def look(self, plate: PlateView, params: Any) -> Iterator[Finding]:
        """Findings; one of severity ``fail`` stops the shot."""
        ...


@dataclass(frozen=True, slots=True)
class Decided:
    """The decision on one shot, as its sidecar has it.

    Attributes:
        record: The sidecar's content.
        sidecar: Where it stands; its relative names start in that folder.
        gains: Frame number to linear gain of R, G and B in the working space: all stages that
            are nothing more than that, together.
        beyond: Names of the stages that are more, and so are not in the gains.
    """

    record: ShotDocument
    sidecar: Path
    gains: Mapping[int, tuple[float, float, float]]
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A file to hand over, not written yet.

    Attributes:
        name: File name.
        text: Content, written as UTF-8.
        shots: Names of the shots it describes.
        prove: Reads the written file back, before it has its name, and says in a few words how it
            was proved right. `WriteError` where it is not.
        notes: What whoever takes the file must know.
    """

    name: str
    text: str
    shots: tuple[str, ...]
    prove: Callable[[Path], str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A shot that a form cannot hold, and why."""

    shot: str
    why: str


@runtime_checkable
class Handover(Protocol):
    """Puts a decision into an open form."""

    name: str
    summary: str
    Params: type[BaseModel]

    def make(self, shots: Sequence[Decided], params: Any, title: str) -> list[Document | LeftOut]:
        """Documents of some shots, and the shots it cannot hold; nothing is written.

        A file of one shot is called after the shot, one of all shots after the title.
        `RequestError` where the parameters cannot be met at all.
        """
        ...

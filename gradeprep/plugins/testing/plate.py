"""A plate in memory, for tests of meters and checks: arrays instead of files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from gradeprep.model.frame import Layout, PartLayout, Window
from gradeprep.model.framerange import FrameRange
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import Pixels, Scale

__all__ = ["AP1_WEIGHTS", "LINEAR", "MemoryPlate"]

T = TypeVar("T")
Floats = npt.NDArray[np.floating]

AP1_WEIGHTS = (0.2722287168, 0.6740817658, 0.0536895174)
"""Luminance weights of AP1 (Academy S-2014-004)."""


def _linear_tone(values: Floats) -> npt.NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        return np.log2(np.maximum(np.asarray(values, np.float64), 0.0) / GREY)


LINEAR = Scale(ceiling=None, step=0.0, log=False, tone=_linear_tone)
"""Scene-linear floats without an end."""


@dataclass
class MemoryPlate:
    """A `gradeprep.plugins.contracts.PlateView` over arrays.

    Attributes:
        pictures: Frame number to scene-linear pixels, H x W x 3; non-finite samples are counted
            and read as 0.
        shot: Name of the shot.
        scale: What the recorded values mean.
        encode: Recorded values of scene-linear ones; the same values when left out.
        stops: Stops decided for the plate: a number, or one for each frame.
        others: Views of the recipe's other shots.
        weights: Luminance weights for R, G, B.
        space: Name of the colour space.
        folder: Where the recipe stands.
        origin: x and y of the display window.
        headers: Frame to header attributes.
        layouts: Frame to what its file says of itself; half EXR when left out.
    """

    pictures: Mapping[int, Floats]
    shot: str = "here"
    scale: Scale = LINEAR
    encode: Callable[[Pixels], Floats] | None = None
    stops: float | Mapping[int, float] = 0.0
    others: Mapping[str, MemoryPlate] = field(default_factory=dict)
    weights: tuple[float, float, float] = AP1_WEIGHTS
    space: str = "ACEScg"
    folder: Path = Path()
    origin: tuple[int, int] = (0, 0)
    headers: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)
    layouts: Mapping[int, Layout] = field(default_factory=dict)

    @property
    def frames(self) -> FrameRange:
        """Frames of the shot."""
        return FrameRange.of(self.pictures)

    @property
    def window(self) -> Window:
        """Display window: x, y, width, height; the picture fills it."""
        height, width = self.pictures[self.frames.first].shape[:2]
        return (*self.origin, width, height)

    def sample(self, most: int) -> FrameRange:
        """At most so many frames, spread evenly from the first to the last, both among them."""
        numbers = tuple(self.frames)
        places = np.linspace(0, len(numbers) - 1, min(most, len(numbers))).round().astype(int)
        return FrameRange.of(numbers[place] for place in places)

    def each(self, frames: Iterable[int], look: Callable[[int], T]) -> list[T]:
        """What ``look`` says of each frame, one after another."""
        return [look(frame) for frame in frames]

    def pixels(self, frame: int) -> Pixels:
        """The frame's colour, float32, non-finite as 0; read-only."""
        picture = np.asarray(self.pictures[frame], np.float32)
        return _closed(np.where(np.isfinite(picture), picture, np.float32(0.0)))

    def recorded(self, frame: int) -> Pixels:
        """The same samples as recorded; read-only."""
        pixels = self.pixels(frame)
        return pixels if self.encode is None else _closed(self.encode(pixels))

    def nonfinite(self, frame: int) -> int:
        """Number of non-finite samples."""
        return int(np.count_nonzero(~np.isfinite(self.pictures[frame])))

    def region(self, frame: int, region: Sequence[float]) -> Pixels:
        """Pixels of x, y, width, height in the display window: pixels, or fractions to 1."""
        return self.pixels(frame)[self._place(region)]

    def region_recorded(self, frame: int, region: Sequence[float]) -> Pixels:
        """The same region of the recorded samples."""
        return self.recorded(frame)[self._place(region)]

    def header(self, frame: int) -> Mapping[str, Any]:
        """Header attributes."""
        return self.headers.get(frame, {})

    def layout(self, frame: int) -> Layout:
        """What the frame's file says of itself."""
        if frame in self.layouts:
            return self.layouts[frame]
        channels = dict.fromkeys("RGB", "half")
        return Layout("exr", (PartLayout("", channels, self.window, self.window),))

    def exposure(self, frame: int) -> float:
        """Stops decided for the plate at a frame."""
        return self.stops[frame] if isinstance(self.stops, Mapping) else self.stops

    def normalized(self, frame: int) -> Pixels:
        """The frame after the decided stops."""
        return self.pixels(frame) * np.float32(gain(self.exposure(frame)))

    def written(self, frame: int) -> Pixels:
        """The same, rounded to half."""
        return self.normalized(frame).astype(np.float16).astype(np.float32)

    def other(self, shot: str) -> MemoryPlate:
        """Another shot of the recipe."""
        if shot not in self.others:
            raise ValueError(f"the recipe has no shot '{shot}'")
        return self.others[shot]

    def _place(self, region: Sequence[float]) -> tuple[slice, slice]:
        width, height = self.window[2:]
        if len(region) != 4 or min(region[2:]) <= 0:
            raise ValueError(f"region {list(region)} is no place")
        if all(0.0 <= value <= 1.0 for value in region):
            region = [a * b for a, b in zip(region, (width, height) * 2, strict=True)]
        x, y, across, down = (round(value) for value in region)
        if x < 0 or y < 0 or x + across > width or y + down > height:
            raise ValueError(
                f"region [{x}, {y}, {across}, {down}] reaches out of the picture, which is "
                f"{width} x {height}"
            )
        return slice(y, y + down), slice(x, x + across)


def _closed(pixels: Floats) -> Pixels:
    """Float32 in one piece, and nobody may write into it: meters and checks share it."""
    closed = np.array(pixels, np.float32, order="C")
    closed.setflags(write=False)
    return closed

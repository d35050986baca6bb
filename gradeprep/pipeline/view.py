"""A plate as meters and checks see it: scene-linear pixels in the working space, on demand."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from gradeprep import crashreport
from gradeprep.colour import Colour
from gradeprep.errors import CannotCarryError
from gradeprep.machine import processors
from gradeprep.model.frame import Frame, Layout, Part, Window
from gradeprep.model.framerange import FrameRange
from gradeprep.model.layers import Group, find_groups
from gradeprep.model.pixeltypes import top_code
from gradeprep.model.stops import GREY
from gradeprep.pipeline import kernels
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.survey import Survey
from gradeprep.pipeline.types import kernel_type
from gradeprep.plates import files
from gradeprep.plugins.contracts import Pixels, PlateView, Scale

__all__ = ["View"]

T = TypeVar("T")

_FLOAT = kernels.Wanted(np.dtype(np.float32))


@dataclass(frozen=True, slots=True)
class _CachedFrame:
    """One frame, decoded."""

    recorded: Pixels
    pixels: Pixels
    nonfinite: int
    broken: npt.NDArray[np.bool_] | None
    header: Mapping[str, Any]
    origin: tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class View:
    """The plate of one shot, before anything is applied to it.

    Attributes:
        shot: Name of the shot.
        found: Its frames on disk.
        folder: Where the recipe stands.
        space: Its colour space.
        working: The working space.
        colour: The config.
        decided: Stops decided for the plate at a frame; 0 while it is undecided.
        stages: Decided stages applied to a frame's pixels, in place.
        stored: Pixels as a reader of the result would decode them.
        others: Gives the view of another shot of the recipe.
    """

    shot: str
    found: Survey
    folder: Path
    space: str
    working: str
    colour: Colour
    decided: Callable[[int], float] = field(repr=False)
    stages: Callable[[int, Pixels], Pixels] = field(repr=False)
    stored: Callable[[Pixels], Pixels] = field(repr=False)
    others: Callable[[str], PlateView] = field(repr=False)

    @property
    def frames(self) -> FrameRange:
        """Its frames."""
        return self.found.frames

    @property
    def window(self) -> Window:
        """Display window: x, y, width, height."""
        groups = self.found.groups
        return self.found.first.parts[groups[0].part if groups else 0].display_window

    @property
    def weights(self) -> tuple[float, float, float]:
        """Luminance weights of the working space."""
        return self.colour.weights(self.working)

    @cached_property
    def scale(self) -> Scale:
        """What the recorded values mean and can hold."""
        source = kernel_type(self.found.type)
        log = self.colour.encoding(self.space) == "log"
        ceiling = None
        if source.bits is not None or log:
            ceiling = 1.0
        elif source.dtype == np.float16:
            ceiling = 65504.0
        step = 0.0 if source.bits is None else 1.0 / top_code(source.bits)
        return Scale(ceiling, step, log, self._tone)

    def _tone(self, values: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
        flat = np.asarray(values, np.float32).reshape(1, -1, 1)
        rgb = np.ascontiguousarray(np.repeat(flat, 3, axis=2))
        decode = self.colour.convert(self.space, self.working)
        if decode is not None:
            decode(rgb)
        light = np.maximum(rgb[0].astype(np.float64) @ np.asarray(self.weights), 0.0)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log2(light / GREY).reshape(np.shape(values)))

    def sample(self, most: int) -> FrameRange:
        """Frames spread evenly from the first to the last."""
        numbers = tuple(self.frames)
        if len(numbers) <= most:
            return self.frames
        places = np.linspace(0, len(numbers) - 1, max(most, 2)).round().astype(int)
        return FrameRange.of(numbers[place] for place in places)

    def each(self, frames: Iterable[int], look: Callable[[int], T]) -> list[T]:
        """Look at frames in parallel: decoding leaves Python's lock to the others."""
        threads = crashreport.tolerated(processors())
        if threads == 1:
            return [look(frame) for frame in frames]
        from concurrent.futures import ThreadPoolExecutor  # slow to load

        with ThreadPoolExecutor(threads) as pool:
            return list(pool.map(look, frames))

    def exposure(self, frame: int) -> float:
        """Stops that the recipe decided for this plate at a frame; 0 while it is undecided."""
        return self.decided(frame)

    def pixels(self, frame: int) -> Pixels:
        """The frame's colour over its data window, non-finite samples as 0; read-only."""
        return self._seen(frame).pixels

    def recorded(self, frame: int) -> Pixels:
        """The same samples as recorded; read-only."""
        return self._seen(frame).recorded

    def nonfinite(self, frame: int) -> int:
        """Number of non-finite samples in the frame's colour."""
        return self._seen(frame).nonfinite

    def broken(self, frame: int) -> npt.NDArray[np.bool_] | None:
        """Pixels with a non-finite sample, H x W; None where there are none."""
        return self._seen(frame).broken

    def origin(self, frame: int) -> tuple[int, int]:
        """Where the first pixel stands, x and y in the coordinates of the display window."""
        return self._seen(frame).origin

    def header(self, frame: int) -> Mapping[str, Any]:
        """Header attributes of the part that holds the colour."""
        return self._seen(frame).header

    def layout(self, frame: int) -> Layout:
        """What the frame's file says of itself."""
        return self.found.layouts[frame]

    def normalized(self, frame: int) -> Pixels:
        """The frame after all decided stages."""
        return self.stages(frame, self.pixels(frame).copy())

    def written(self, frame: int) -> Pixels:
        """The same as a reader of the result would decode it."""
        return self.stored(self.normalized(frame))

    def other(self, shot: str) -> PlateView:
        """Another shot of the recipe."""
        return self.others(shot)

    def region(self, frame: int, region: Sequence[float]) -> Pixels:
        """Pixels of x, y, width, height in the display window: pixels, or fractions to 1."""
        return self.pixels(frame)[self.place(frame, region)]

    def region_recorded(self, frame: int, region: Sequence[float]) -> Pixels:
        """The same region of the recorded samples."""
        return self.recorded(frame)[self.place(frame, region)]

    def place(self, frame: int, region: Sequence[float]) -> tuple[slice, slice]:
        """Rows and columns of the frame's pixels that a region of the display window covers.

        Raises:
            ValueError: The region reaches out of the picture, or is empty.
        """
        seen = self._seen(frame)
        x, y, width, height = self._in_pixels(region)
        left = self.window[0] + x - seen.origin[0]
        top = self.window[1] + y - seen.origin[1]
        rows, columns, _ = seen.pixels.shape
        if left < 0 or top < 0 or left + width > columns or top + height > rows:
            raise ValueError(
                f"region {_written(region)} reaches out of the picture, which is "
                f"{self.window[2]} x {self.window[3]}"
            )
        return slice(top, top + height), slice(left, left + width)

    def corner(self, frame: int) -> tuple[int, int]:
        """Where the frame's first pixel stands in the display window: x, y."""
        x, y = self._seen(frame).origin
        return x - self.window[0], y - self.window[1]

    def _in_pixels(self, region: Sequence[float]) -> tuple[int, int, int, int]:
        if len(region) != 4 or not all(map(math.isfinite, region)) or min(region[2:]) <= 0:
            raise ValueError(
                f"region {_written(region)} is no place; write [x, y, width, height], "
                "the last two above 0"
            )
        if all(0.0 <= value <= 1.0 for value in region):
            width, height = self.window[2], self.window[3]
            region = [a * b for a, b in zip(region, (width, height) * 2, strict=True)]
        x, y, width, height = (round(value) for value in region)
        return x, y, width, height

    @lru_cache(maxsize=4)  # noqa: B019 - a view lives as long as its plan
    def _seen(self, number: int) -> _CachedFrame:
        path = self.found.sequence.path(number)
        frame = files.read(path)
        groups = find_groups(frame.parts, self.found.layers or None)
        if not groups or groups[0].kind == "some":
            named = f"only {', '.join(groups[0].names)}" if groups else "no colour channels"
            raise CannotCarryError(
                f"has {named}; meters and checks look at R, G and B",
                file=path,
                remedy="name the layer that is colour with layers",
            )
        part = frame.parts[groups[0].part]
        recorded, bad = self._recorded(part, groups[0])
        pixels = recorded
        decode = self.colour.convert(self.space, self.working)
        if decode is not None:
            pixels = recorded.copy()
            decode(pixels)
            pixels[bad] = 0.0
            pixels.flags.writeable = False
        recorded.flags.writeable = False
        counted = bad if groups[0].kind == "rgb" else bad[..., :1]
        nonfinite = int(np.count_nonzero(counted))
        broken = np.asarray(bad.any(axis=2), np.bool_) if nonfinite else None
        origin = _origin(frame, groups[0])
        return _CachedFrame(recorded, pixels, nonfinite, broken, part.header, origin)

    def _recorded(self, part: Part, group: Group) -> tuple[Pixels, npt.NDArray[np.bool_]]:
        planes = [part.channels[name] for name in group.names]
        outcome = kernels.run(
            "light",
            planes,
            Decision(()),
            source=kernels.Wanted(planes[0].dtype, part.bits),
            wanted=_FLOAT,
        )
        three = outcome.planes if len(planes) == 3 else outcome.planes * 3
        recorded = np.ascontiguousarray(np.stack(three, axis=-1))
        bad = ~np.isfinite(recorded)
        recorded[bad] = 0.0
        return recorded, bad

    def __hash__(self) -> int:
        return id(self)

    def __eq__(self, other: object) -> bool:
        return self is other


def _origin(frame: Frame, group: Group) -> tuple[int, int]:
    window = frame.parts[group.part].header.get("dataWindow")
    if window is None:
        return (0, 0)
    return (int(window[0][0]), int(window[0][1]))


def _written(region: Sequence[float]) -> str:
    return "[" + ", ".join(f"{value:g}" for value in region) + "]"

"""One frame in memory: every channel in its own type, the header as its codec reads it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy.typing as npt

from gradeprep.model.pixeltypes import PixelType

__all__ = [
    "Frame",
    "Layout",
    "Part",
    "PartLayout",
    "Plane",
    "Window",
    "pixel_aspect",
]

Plane = npt.NDArray[Any]
"""One channel: H x W, float16, float32 or uint32 (EXR), uint8 or uint16 (code values)."""

Window = tuple[int, int, int, int]
"""x, y, width, height; x and y may be negative."""


def pixel_aspect(header: Mapping[str, Any]) -> float:
    """Width of a pixel over its height, as a header states it: OpenEXR's ``pixelAspectRatio``, or
    the two numbers of SMPTE ST 268; 1 where it says nothing, or what no lens does (1/8 to 8).
    """
    found = header.get("pixelAspectRatio")
    if found is None:
        across, down = header.get("pixel_aspect_x"), header.get("pixel_aspect_y")
        found = across / down if across and down else 1.0
    aspect = float(found)
    return aspect if math.isfinite(aspect) and 0.125 <= aspect <= 8.0 else 1.0


@dataclass(frozen=True, slots=True)
class PartLayout:
    """What a file says about one part before any pixel is decoded."""

    name: str
    channels: Mapping[str, PixelType]
    data_window: Window
    display_window: Window
    compression: str = "none"
    tiles: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """What a file says about itself before any pixel is decoded.

    Attributes:
        format: ``exr``, ``dpx``, or the name of another format.
        parts: One entry a part, in file order.
        timecode: SMPTE ST 12-1 label ``HH:MM:SS:FF`` (``;FF`` when drop-frame), if any.
        rate: Frames per second as text, exact where the file is (``24000/1001``), if any.
        pulled: Stops that the file says were applied to it already, if any.
        history: Digests of the recipes that were applied already, oldest first.
        straight_alpha: Whether colours are not multiplied by the alpha channel (unassociated).
        reels: Reels, tapes or files that the file says it comes from.
    """

    format: str
    parts: tuple[PartLayout, ...]
    timecode: str | None = None
    rate: str | None = None
    pulled: float | None = None
    history: tuple[str, ...] = ()
    reels: tuple[str, ...] = ()
    straight_alpha: bool = False

    def same_shape(self, other: Layout) -> str | None:
        """None when the other file could stand beside this one in a plate, else what differs.

        Data windows may move from frame to frame; display windows may not.
        """
        if self.format != other.format:
            return f"it is {other.format}, the others are {self.format}"
        if len(self.parts) != len(other.parts):
            return f"it has {len(other.parts)} parts, the others have {len(self.parts)}"
        for mine, theirs in zip(self.parts, other.parts, strict=True):
            part = f" in part '{theirs.name}'" if len(self.parts) > 1 else ""
            if mine.name != theirs.name:
                return f"part '{theirs.name}' stands where the others have '{mine.name}'"
            if mine.display_window[2:] != theirs.display_window[2:]:
                return f"its size is {_size(theirs)}, the others' is {_size(mine)}{part}"
            if set(mine.channels) != set(theirs.channels):
                return (
                    f"its channels are {', '.join(theirs.channels)}, "
                    f"the others' are {', '.join(mine.channels)}{part}"
                )
            for name, kind in mine.channels.items():
                if theirs.channels[name] != kind:
                    return (
                        f"its channel {name} is {theirs.channels[name]}, the others' is "
                        f"{kind}{part}"
                    )
        return None


def _size(part: PartLayout) -> str:
    return f"{part.display_window[2]} x {part.display_window[3]}"


@dataclass(frozen=True, slots=True)
class Part:
    """One image of a frame.

    Attributes:
        name: The part's name; empty in a file of one unnamed part.
        channels: Name to H x W plane, each in its own type, in file order.
        header: Header attributes as the codec of the frame's format reads them.
        bits: Depth of integer code values (8, 10, 12, 16); None for EXR types.
    """

    name: str
    channels: Mapping[str, Plane]
    header: Mapping[str, Any] = field(default_factory=dict)
    bits: int | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Height and width of the data window in pixels."""
        height, width = next(iter(self.channels.values())).shape
        return int(height), int(width)

    def with_planes(self, planes: Mapping[str, Plane]) -> Part:
        """The same part with some channels replaced, their order kept."""
        return replace(self, channels={**self.channels, **planes})


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole frame: all parts of a file, nothing left out.

    Attributes:
        format: ``exr``, ``dpx``, or the name of another format.
        parts: One entry a part, in file order.
        raw: Bytes that the codec carries verbatim (a DPX file's header and user data).
    """

    format: str
    parts: tuple[Part, ...]
    raw: bytes = b""

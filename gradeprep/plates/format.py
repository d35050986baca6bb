"""The contract of a file format: one module behind one protocol.

A format that is read implements `Format`; one that is written implements `WritableFormat`.
`gradeprep.plates.formats` registers the modules. No other code compares a format's name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from gradeprep.model.frame import Frame, Layout, Plane
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PixelType

__all__ = ["Format", "Planes", "Problem", "Shared", "Stamp", "WritableFormat", "channel_problem"]

Planes = Mapping[tuple[int, str], Plane]
"""New planes by part index and channel name."""

Problem = tuple[str, str]
"""What is wrong with an order, and what to do."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What the header of a result states.

    Attributes:
        stops: Sum of all pulls applied to the picture, in stops.
        history: Digests of all recipes applied, oldest first; empty once all are undone.
        space_changed: Whether the colour space of the result differs from the source's.
        chromaticities: Published primaries of a linear result's space, if there are any.
        encoding: Encoding of the result's space, as OpenColorIO names it.
    """

    stops: float
    history: tuple[str, ...]
    space_changed: bool
    chromaticities: tuple[float, ...] | None
    encoding: str


@dataclass(frozen=True, slots=True)
class Shared:
    """Header fields that more than one format has a standard place for.

    Attributes:
        timecode: SMPTE ST 12-1 label.
        rate: Frames per second as text, ``24`` or ``24000/1001``.
        pixel_aspect: Width of a pixel over its height.
        windows: ``dataWindow`` and ``displayWindow`` as OpenEXR has them, where they are given:
            two int32 arrays each, x and y of the first and of the last pixel.
        others: Names of further header fields, which a format may have no place for.
    """

    timecode: str | None = None
    rate: str | None = None
    pixel_aspect: float = 1.0
    windows: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    others: tuple[str, ...] = ()


@runtime_checkable
class Format(Protocol):
    """A format whose files are read.

    Attributes:
        TITLE: Its name in messages.
        PLANAR: Whether a frame is read plane by plane; else whole pixels take the same memory
            again while they are separated.
        HEADER_MARKS: Whether a header holds the stops and recipes that were applied; else they
            are looked for in a sidecar.
    """

    TITLE: str
    PLANAR: bool
    HEADER_MARKS: bool

    def inspect(self, path: str | Path) -> Layout:
        """Layout of a file that is proved whole; no result depends on pixels.

        Raises:
            TornFrameError: Cut, garbled, or not of this format.
            CannotCarryError: Of a kind that would lose something.
        """
        ...

    def read(self, path: Path) -> Frame:
        """A whole frame: every part and channel in its own type, and the header.

        Raises:
            TornFrameError: Cut, garbled, or not of this format.
            CannotCarryError: Of a kind that would lose something.
        """
        ...

    def shared(self, frame: Frame) -> Shared:
        """Header fields of a frame of this format that other formats hold as well."""
        ...


@runtime_checkable
class WritableFormat(Format, Protocol):
    """A format whose files are read and written.

    Attributes:
        TYPES: Types that colour channels of a result can have.
        COMPRESSIONS: Names of its compressions; ``none`` alone where it has no other.
        DEFAULT_COMPRESSION: What a plate of another format is written with.
        CONTAINERS: Constrained variants of the format that a recipe can name.
    """

    TYPES: tuple[PixelType, ...]
    COMPRESSIONS: tuple[str, ...]
    DEFAULT_COMPRESSION: str
    CONTAINERS: tuple[str, ...]

    def write(self, frame: Frame, path: Path) -> None:
        """Write a whole frame of this format; the caller gives the file its final name.

        Raises:
            WriteError: It could not be written whole.
        """
        ...

    def lossy(self, compression: str, kinds: Iterable[PixelType]) -> bool:
        """Whether a compression changes pixels of any of these types."""
        ...

    def default_type(self, source: PixelType) -> PixelType:
        """Type of a result whose source has another format, or a type outside `TYPES`."""
        ...

    def sample_bytes(self, kind: PixelType) -> float:
        """Bytes of one uncompressed sample in a file."""
        ...

    def problem(self, layout: Layout, output: OutputOrder) -> Problem | None:
        """Why a source does not come out as ordered without loss; None where it does."""
        ...

    def carried(
        self,
        frame: Frame,
        shared: Shared,
        planes: Planes,
        output: OutputOrder,
        stamp: Stamp,
        filename: str,
    ) -> tuple[Frame, tuple[str, ...]]:
        """The frame to write, and notes on header fields that are restamped or left out.

        Args:
            frame: The source, of any format.
            shared: Its header fields that formats share.
            planes: New colour planes.
            output: What is ordered.
            stamp: What the header states.
            filename: Name of the result.

        Raises:
            CannotCarryError: This format cannot hold the frame.
        """
        ...


def channel_problem(
    title: str, layout: Layout, sets: tuple[tuple[str, ...], ...]
) -> Problem | None:
    """Why a format of one part and fixed sets of channels cannot hold a plate.

    Args:
        title: What the message calls the format.
        layout: The source.
        sets: Sets of channel names that the format holds.
    """
    remedy = "write EXR, or say 'only_colour: true' to leave them out"
    if len(layout.parts) > 1:
        return f"{title} holds one part, the plate has {len(layout.parts)}", remedy
    names = set(layout.parts[0].channels)
    if any(names == set(fits) for fits in sets):
        return None
    extra = ", ".join(sorted(names - {"R", "G", "B", "A"})) or ", ".join(sorted(names))
    return f"{title} cannot hold the channels {extra}", remedy

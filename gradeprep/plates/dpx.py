"""Reads and writes DPX files: exact code values, every other byte carried (SMPTE ST 268).

A frame keeps the file's bytes up to the first image element as they are (``Frame.raw``), and the
writer puts them back. So a field changes only through ``patched``.
Bits of the image data that hold no code value are kept too, but only where they are not zero.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from io import BufferedReader, BufferedWriter
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gradeprep.errors import GradeprepError, TornFrameError, WriteError
from gradeprep.model.frame import Frame, Layout, Part, PartLayout, Plane
from gradeprep.model.pixeltypes import CODES, PIXEL_TYPES, PixelType, code_type
from gradeprep.plates.dpxelement import Element, described, fitted
from gradeprep.plates.dpxheader import (
    HEADER_BYTES,
    decoded,
    frame_rate,
    new_header,
    patched,
    value,
)
from gradeprep.plates.dpxresult import carried, problem, shared
from gradeprep.plates.regular import opened

__all__ = [
    "COMPRESSIONS",
    "CONTAINERS",
    "DEFAULT_COMPRESSION",
    "HEADER_MARKS",
    "PLANAR",
    "TITLE",
    "TYPES",
    "carried",
    "default_type",
    "inspect",
    "lossy",
    "new_header",
    "patched",
    "problem",
    "read",
    "sample_bytes",
    "shared",
    "write",
]

TITLE = "DPX"
PLANAR = True
HEADER_MARKS = False
TYPES: tuple[PixelType, ...] = CODES
COMPRESSIONS: tuple[str, ...] = ("none",)
DEFAULT_COMPRESSION = "none"
CONTAINERS: tuple[str, ...] = ()

_CHUNK_BYTES = 496 << 10
"""Image data unpacked or packed in one go: it and its temporary arrays stay in a core's cache."""

_SOURCES = ("input_device", "source_file")
"""Fields that name the tape or file of a frame's origin; common practice, no source."""


def lossy(compression: str, kinds: Iterable[PixelType]) -> bool:
    """Whether a compression changes pixels: DPX files here have none."""
    return False


def default_type(source: PixelType) -> PixelType:
    """Type of a result whose source has another format: its code type, else 10 bits."""
    return source if source in TYPES else "uint10"


def sample_bytes(kind: PixelType) -> float:
    """Bytes of one sample in a file; three of 10 bits share four bytes."""
    return 4 / 3 if PIXEL_TYPES[kind].bits == 10 else PIXEL_TYPES[kind].dtype.itemsize


def inspect(path: str | Path) -> Layout:
    """Layout of a DPX file; no pixel is decoded.

    Raises:
        TornFrameError: The file is cut, empty, garbled, or no DPX file.
        CannotCarryError: It is whole, but of a kind that would lose something.
        OSError: It cannot be opened.
    """
    with _with_elements(path) as (_, head, _, elements):
        return Layout(
            format="dpx",
            parts=tuple(_part_layout(element, len(elements)) for element in elements),
            timecode=value(head, "timecode"),
            rate=frame_rate(head),
            reels=tuple(filter(None, (value(head, name) for name in _SOURCES))),
        )


def read(path: Path) -> Frame:
    """A whole frame: one part an image element, code values as they are stored.

    Channels come in the order R, G, B, A, or the one channel there is, whatever their order in
    the file. Planes are H x W, uint8 for 8 bit and uint16 for 10, 12 and 16 bit, of code values
    0 to ``2**bits - 1``. Rows are top down or otherwise as the header's ``orientation`` states;
    they are not turned.

    ``Part.header`` holds every field of ``FIELDS`` and ``ELEMENT_FIELDS``, ``byte_order``,
    ``rate``, and what the writer needs: ``line_bytes`` (from one row to the next),
    ``padding`` (H x ``line_bytes`` uint8, the bits that are no code value; absent when all are
    zero) and ``after`` (bytes up to the next element or the file's end; absent when there are
    none). Except for these three, changing it changes nothing in a written file.

    Raises:
        TornFrameError: The file is cut, empty, garbled, or no DPX file.
        CannotCarryError: It is whole, but of a kind that would lose something.
        OSError: It cannot be opened or read.
    """
    with _with_elements(path) as (file, head, size, elements):
        starts = sorted(element.offset for element in elements)
        limits = dict(zip(starts, [*starts[1:], size], strict=True))
        file.seek(0)
        raw = _exactly(file, starts[0])
        parts = tuple(
            Part(
                name=_part_name(element, len(elements)),
                channels=planes,
                header=decoded(head, element=element.index) | carried,
                bits=element.packing.bits,
            )
            for element in elements
            for planes, carried in [_read_element(file, element, limits[element.offset])]
        )
    return Frame(format="dpx", parts=parts, raw=raw)


@contextmanager
def _with_elements(
    path: str | Path,
) -> Iterator[tuple[BufferedReader, bytes, int, tuple[Element, ...]]]:
    """The open file, its header, its size and its elements; errors name the file."""
    try:
        with opened(path) as file:
            size = os.fstat(file.fileno()).st_size
            head = file.read(HEADER_BYTES)
            elements = fitted(head, size)
            # A short header ends where the image begins: what follows is no field.
            yield file, head[: min(element.offset for element in elements)], size, elements
    except GradeprepError as error:
        error.at(file=path)
        raise


def _part_name(element: Element, count: int) -> str:
    return f"element {element.index}" if count > 1 else ""


def _channel_order(element: Element) -> list[str]:
    return sorted(element.channels, key="RGBAY".index)


def _part_layout(element: Element, count: int) -> PartLayout:
    window = (0, 0, element.width, element.height)
    return PartLayout(
        name=_part_name(element, count),
        channels=dict.fromkeys(_channel_order(element), code_type(element.packing.bits)),
        data_window=window,
        display_window=window,
    )


def _exactly(file: BufferedReader, count: int) -> bytes:
    content = file.read(count)
    if len(content) < count:
        raise _shrunk()
    return content


def _shrunk() -> TornFrameError:
    return TornFrameError("the file became shorter while it was read", remedy="copy it again")


def _read_element(
    file: BufferedReader, element: Element, limit: int
) -> tuple[dict[str, Plane], dict[str, Any]]:
    """Planes of one element, and what else lies in its image data and after it."""
    file.seek(element.offset)
    shape, kind = (element.height, element.width), element.packing.sample_type
    planes = [np.empty(shape, kind) for _ in element.channels]
    padding: npt.NDArray[np.uint8] | None = None
    spare = _spare(element)
    room = np.empty((_rows_at_once(element), element.line_bytes), np.uint8)
    for rows in _row_chunks(element):
        lines = room[: rows.stop - rows.start]
        if file.readinto(lines.data) < lines.nbytes:
            raise _shrunk()
        element.packing.unpack_planes(
            lines[:, : element.row_bytes], [plane[rows] for plane in planes]
        )
        if spare.any() and (np.bitwise_or.reduce(lines, axis=0) & spare).any():
            if padding is None:
                padding = np.zeros((element.height, element.line_bytes), np.uint8)
            padding[rows] = lines & spare
    after = _exactly(file, limit - element.end)
    by_name = {name: planes[element.channels.index(name)] for name in _channel_order(element)}
    carried: dict[str, Any] = {"line_bytes": element.line_bytes}
    if padding is not None:
        carried["padding"] = padding
    if after:
        carried["after"] = after
    return by_name, carried


def _spare(element: Element) -> npt.NDArray[np.uint8]:
    """Mask of one line: set where a bit holds no part of any code value."""
    line = np.full(element.line_bytes, 0xFF, np.uint8)
    line[: element.row_bytes] = element.packing.spare_bits(element.samples)
    return line


def _rows_at_once(element: Element) -> int:
    return min(element.height, max(1, _CHUNK_BYTES // element.line_bytes))


def _row_chunks(element: Element) -> Iterator[slice]:
    step = _rows_at_once(element)
    for start in range(0, element.height, step):
        yield slice(start, min(start + step, element.height))


def write(frame: Frame, path: Path) -> None:
    """A complete file at ``path``, made anew: the header as ``frame.raw`` has it, then the pixels.

    A frame that was read comes out byte for byte. A frame on a header from ``new_header`` needs
    no ``Part.header``. After an error, discard what is at ``path``.

    Args:
        frame: One part for each image element of the header; planes H x W of any
            strides, uint8 for 8 bit, else uint16, no value over ``2**bits - 1``.
        path: Where to write.

    Raises:
        ValueError: Header and parts do not belong together, a plane is of another type, or a
            value is beyond the depth.
        WriteError: The file could not be written whole.
    """
    elements = _matched(frame)
    try:
        with path.open("wb") as file:
            file.write(frame.raw)
            for element in sorted(elements, key=lambda element: element.offset):
                _write_element(file, element, frame.parts[element.index])
    except OSError as error:
        raise WriteError(
            f"it could not be written whole: {error.strerror or error}",
            remedy="make room or choose another folder",
            file=path,
        ) from error


def _matched(frame: Frame) -> tuple[Element, ...]:
    """The elements of a frame's header, once the parts are known to be theirs."""
    elements = described(frame.raw)
    if len(frame.parts) != len(elements):
        raise ValueError(f"{len(frame.parts)} parts for a header of {len(elements)} elements")
    if len(frame.raw) != min(element.offset for element in elements):
        raise ValueError(f"a header of {len(frame.raw)} bytes is not all that precedes its image")
    return tuple(
        _checked(element, part) for element, part in zip(elements, frame.parts, strict=True)
    )


def _checked(element: Element, part: Part) -> Element:
    """The element with the row length that its part was read with."""
    if set(part.channels) != set(element.channels):
        raise ValueError(
            f"channels {', '.join(part.channels)} for an image element of "
            f"{', '.join(element.channels)}"
        )
    for name, plane in part.channels.items():
        if plane.shape != (element.height, element.width):
            raise ValueError(
                f"channel {name} is {plane.shape}, the header has {(element.height, element.width)}"
            )
        if plane.dtype != element.packing.sample_type:
            raise ValueError(
                f"channel {name} is {plane.dtype}, {element.packing.bits} bit is "
                f"{element.packing.sample_type}"
            )
    line_bytes = part.header.get("line_bytes", element.line_bytes)
    if line_bytes not in (element.line_bytes, element.unbroken):
        raise ValueError(f"the header of part '{part.name}' belongs to another DPX header")
    return replace(element, line_bytes=line_bytes)


def _write_element(file: BufferedWriter, element: Element, part: Part) -> None:
    file.write(bytes(_gap(file.tell(), element)))
    padding = _padding(element, part)
    top = (1 << element.packing.bits) - 1
    room = np.empty((_rows_at_once(element), element.line_bytes), np.uint8)
    for rows in _row_chunks(element):
        planes = [part.channels[name][rows] for name in element.channels]
        most = max(plane.max() for plane in planes)
        if most > top:
            raise ValueError(f"a code value of {most} is beyond the largest, {top}")
        lines = room[: rows.stop - rows.start]
        lines[:, element.row_bytes :] = 0
        element.packing.pack_planes(planes, lines[:, : element.row_bytes])
        if padding is not None:
            lines |= padding[rows]
        file.write(lines.data)
    file.write(part.header.get("after", bytes(element.image_padding)))


def _padding(element: Element, part: Part) -> npt.NDArray[np.uint8] | None:
    """Bits to put beside the code values, once they are known to touch none of them."""
    padding: npt.NDArray[np.uint8] | None = part.header.get("padding")
    if padding is None:
        return None
    fits = padding.shape == (element.height, element.line_bytes)
    if not fits or (padding & ~_spare(element)).any():
        raise ValueError(f"the padding of part '{part.name}' belongs to another DPX header")
    return padding


def _gap(position: int, element: Element) -> int:
    """Bytes that are missing up to the place where the header has an element begin."""
    if position > element.offset:
        raise ValueError(f"image element {element.index} begins before the one before it ends")
    return element.offset - position

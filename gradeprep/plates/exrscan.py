"""A bounded reading of an OpenEXR file's structure: headers and chunk tables, never pixels.

It decides whether a file is whole and of a supported kind *before* a decoder opens it. Nothing is
allocated on a header's word alone: names, attributes, parts and headers have limits, and a
size is trusted only as far as the file reaches.

What it proves: every chunk has a place of its own inside the file, and the last
chunk ends inside it and has the right coordinates. So a file cut anywhere, even by one byte, is
found. It does not read the other chunks: the decoder finds garbled bytes among the pixels.

Layout of the file: "OpenEXR File Layout", the format's public documentation.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np

from gradeprep.errors import CannotCarryError, MissingPlateError, PlateError, TornFrameError
from gradeprep.plates import limits
from gradeprep.plates.exrimage import (
    DEEP,
    LONG_NAMES,
    MULTI_PART,
    TILED,
    Attributes,
    Image,
    Offsets,
    image,
    utf8,
)
from gradeprep.plates.limits import Limits
from gradeprep.plates.regular import opened

__all__ = ["Structure", "scan"]

_MAGIC, _VERSION = 20_000_630, 2
_HEADER_LIMIT = 16 * 2**20
_PART_LIMIT = 1024
_ATTRIBUTE_LIMIT = 65_536
_LEAST_LEADER = 8
_STEP = 64 * 2**10


@dataclass(frozen=True, slots=True)
class Structure:
    """The contents of a file's headers and chunk tables.

    Attributes:
        flags: The version field's bits (`gradeprep.plates.exrimage`).
        parts: One entry a part, in file order.
        bytes: Size of the file.
    """

    flags: int
    parts: tuple[Image, ...]
    bytes: int


def scan(path: str | Path, allowed: Limits | None = None) -> Structure:
    """Structure of an EXR file that is whole and of a supported kind.

    Args:
        path: The file.
        allowed: How large its picture may be; from the environment when left out.

    Raises:
        MissingPlateError: There is no such file.
        TornFrameError: Not an EXR, cut short, garbled, or at odds with itself.
        CannotCarryError: Mip or rip levels, deep data, subsampled channels, an unknown
            compression, names or texts that are not UTF-8, or a picture beyond the limits.
        PlateError: The file cannot be opened.
    """
    try:
        with opened(path) as file:
            size = os.fstat(file.fileno()).st_size
            return _structure(_Head(file, size), allowed or limits.current())
    except FileNotFoundError as error:
        raise MissingPlateError("no such file", file=path) from error
    except OSError as error:
        raise PlateError(f"cannot be read: {error.strerror}", file=path) from error
    except PlateError as error:
        error.at(file=path)
        raise


class _Head:
    """The start of a file, read forward in steps and never past the header limit."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self.size = size
        self.at = 0
        self._file = file
        self._seen = bytearray()

    def take(self, count: int) -> bytes:
        """The next bytes, exactly that many."""
        start, self.at = self.at, self.at + count
        self._reach(self.at)
        return bytes(self._seen[start : self.at])

    def word(self, longest: int) -> bytes:
        """The next bytes up to a zero byte, which is stepped over."""
        self._reach(min(self.at + longest + 1, self.size))
        end = self._seen.find(0, self.at, self.at + longest + 1)
        if end < 0:
            raise TornFrameError("is garbled: a name in its header does not end")
        start, self.at = self.at, end + 1
        return bytes(self._seen[start:end])

    def table(self, count: int) -> Offsets:
        """A chunk table of that many entries."""
        if self.at + 8 * count > self.size:
            raise TornFrameError("is cut short within its chunk table")
        raw = self.read(self.at, 8 * count)
        self.at += 8 * count
        return np.frombuffer(raw, "<u8").astype(np.uint64)

    def read(self, offset: int, count: int) -> bytes:
        """Bytes from anywhere in the file; fewer where it ends."""
        self._file.seek(offset)
        return self._file.read(count)

    def _reach(self, end: int) -> None:
        if end > self.size:
            raise TornFrameError("is cut short within its header")
        if end > _HEADER_LIMIT:
            raise CannotCarryError(f"has a header of more than {_HEADER_LIMIT >> 20} MiB")
        while len(self._seen) < end:
            more = self.read(len(self._seen), max(_STEP, end - len(self._seen)))
            if not more:
                raise TornFrameError("was cut short while it was read")
            self._seen += more


def _structure(head: _Head, allowed: Limits) -> Structure:
    flags = _flags(head)
    parts = [image(header, flags, allowed.side) for header in _headers(head, flags)]
    _check_parts(parts, flags)
    allowed.check_bytes(sum(part.decoded_bytes for part in parts))
    parts = [_with_table(part, head) for part in parts]
    _check_reach(parts, head.size - head.at)
    _check_chunks(parts, flags, head)
    return Structure(flags, tuple(parts), head.size)


def _flags(head: _Head) -> int:
    if head.size < 8:
        raise TornFrameError(f"is not an EXR file: it has {head.size} bytes")
    magic, version = struct.unpack("<iI", head.take(8))
    if magic != _MAGIC:
        raise TornFrameError("is not an EXR file: it does not begin like one")
    number, flags = version & 0xFF, int(version & ~0xFF)
    if number != _VERSION:
        raise CannotCarryError(f"is of EXR version {number}, not {_VERSION}")
    if flags & ~(TILED | LONG_NAMES | DEEP | MULTI_PART):
        raise CannotCarryError(f"needs unknown features (version flags {flags:#x})")
    if flags & TILED and flags & (DEEP | MULTI_PART):
        raise TornFrameError(f"is garbled: its version flags contradict each other ({flags:#x})")
    return flags


def _headers(head: _Head, flags: int) -> Iterator[Attributes]:
    """The header of every part; an empty one ends the list of a multi-part file."""
    room = _ATTRIBUTE_LIMIT
    for _ in range(_PART_LIMIT + 1):
        attributes = dict(_attributes(head, 255 if flags & LONG_NAMES else 31, room))
        room -= len(attributes)
        if attributes:
            yield attributes
        if not (attributes and flags & MULTI_PART):
            return
    raise CannotCarryError(f"has more than {_PART_LIMIT} parts")


def _attributes(head: _Head, longest: int, room: int) -> Iterator[tuple[str, tuple[str, bytes]]]:
    seen = set[str]()
    while name := utf8(head.word(longest), "an attribute name"):
        kind = utf8(head.word(longest), "an attribute type")
        (size,) = struct.unpack("<i", head.take(4))
        if size < 0:
            raise TornFrameError(f"is garbled: attribute {name!r} has {size} bytes")
        if name in seen:
            raise TornFrameError(f"is garbled: attribute {name!r} stands twice in one header")
        if len(seen) >= room:
            raise CannotCarryError(f"has more than {_ATTRIBUTE_LIMIT} attributes")
        seen.add(name)
        yield name, (kind, head.take(size))


def _check_parts(parts: list[Image], flags: int) -> None:
    """What must hold between the parts and the version flags."""
    if not parts:
        raise TornFrameError("is garbled: its header is empty")
    if not flags & MULTI_PART:
        return
    names = [part.name for part in parts]
    if len(set(names)) < len(names) or "" in names:
        raise TornFrameError("is garbled: each of its parts needs a name of its own")
    if flags & DEEP:
        raise TornFrameError("is garbled: its version flags say deep, its parts do not")


def _with_table(part: Image, head: _Head) -> Image:
    across, down = part.chunk_counts
    return replace(part, offsets=head.table(across * down))


def _check_reach(parts: list[Image], stored: int) -> None:
    """Refuse headers that claim more pixels than the bytes in the file could decode to."""
    least = sum(-(-part.decoded_bytes // part.codec.reach) for part in parts)
    if least > stored:
        raise TornFrameError(
            f"is cut short or garbled: its pixels take {least} bytes at least, it has {stored}"
        )


def _check_chunks(parts: list[Image], flags: int, head: _Head) -> None:
    """Every chunk has a place of its own, and the last one is whole."""
    offsets = np.concatenate([part.offsets for part in parts])
    if missing := np.count_nonzero(offsets == 0):
        raise TornFrameError(f"is not finished: {missing} of its {offsets.size} chunks are missing")
    if offsets.min() < head.at or offsets.max() >= head.size:
        raise TornFrameError("is cut short or garbled: a chunk lies outside the file")
    index, number = int(offsets.argmax()), 0
    while index >= parts[number].offsets.size:
        index -= parts[number].offsets.size
        number += 1
    leader = _leader(parts[number], index)
    if flags & MULTI_PART:
        leader = struct.pack("<i", number) + leader
    if offsets.size > 1 and np.diff(np.sort(offsets)).min() <= _LEAST_LEADER:
        raise TornFrameError("is garbled: two chunks share one place")
    _check_last(head, int(offsets.max()), leader)


def _leader(part: Image, index: int) -> bytes:
    """What a chunk begins with: its tile's column, row and levels, or its first scan line."""
    row, column = divmod(index, part.chunk_counts[0])
    if part.tiles:
        return struct.pack("<4i", column, row, 0, 0)
    return struct.pack("<i", part.data_window[1] + row * part.codec.lines)


def _check_last(head: _Head, offset: int, leader: bytes) -> None:
    found = head.read(offset, len(leader) + 4)
    if len(found) < len(leader) + 4:
        raise TornFrameError("is cut short within its last chunk")
    if found[:-4] != leader:
        raise TornFrameError("is garbled: its last chunk does not match its chunk table")
    (size,) = struct.unpack("<i", found[-4:])
    if size <= 0:
        raise TornFrameError(f"is garbled: its last chunk has {size} bytes")
    missing = offset + len(found) + size - head.size
    if missing > 0:
        raise TornFrameError(f"is cut short: its end is missing ({missing} B)")

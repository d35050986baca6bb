"""A bounded reading of a TIFF file's structure: its tags and where its pixels are, never pixels.

It proves a file whole before a decoder opens it: the directory, every value outside it and every
strip or tile lie inside the file, and there are as many of them as the picture needs. A file that
is cut anywhere before the last of these bytes is found.

Layout of the file: TIFF 6.0 (1992), sections 2, 8 and 15. The 64-bit variant (BigTIFF):
version 43, offsets of 8 bytes and entries of 20, as ``tifffile.TIFF.BIG_LE`` lists them; tests
compare both with tifffile.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep.errors import CannotCarryError, MissingPlateError, PlateError, TornFrameError
from gradeprep.plates.regular import opened

__all__ = ["Directory", "scan"]

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_SIZES |= {16: 8, 17: 8, 18: 8}
"""Bytes of a value by field type: TIFF 6.0, section 2, IFD, and three of BigTIFF."""

_UNSIGNED = {1: "u1", 3: "u2", 4: "u4", 13: "u4", 16: "u8", 18: "u8"}
_ENTRY_LIMIT = 4096
_VALUE_LIMIT = 64 * 2**20

_WIDTH, _HEIGHT, _BITS, _COMPRESSION = 256, 257, 258, 259
_SAMPLES, _ROWS, _PLANAR = 277, 278, 284
_STRIPS, _TILES = (273, 279), (324, 325)
_TILE_WIDTH, _TILE_HEIGHT = 322, 323


@dataclass(frozen=True, slots=True)
class Directory:
    """The one image file directory of a file.

    Attributes:
        order: Byte order of its values, ``<`` or ``>``.
        values: Tag to field type and bytes; only the place counts for what is read elsewhere.
    """

    order: str
    values: dict[int, tuple[int, bytes]]

    def numbers(self, tag: int) -> npt.NDArray[np.uint64]:
        """Unsigned numbers of a tag; empty where it is absent or holds other values."""
        kind, raw = self.values.get(tag, (0, b""))
        if kind not in _UNSIGNED:
            return np.empty(0, np.uint64)
        return np.frombuffer(raw, self.order + _UNSIGNED[kind]).astype(np.uint64)

    def number(self, tag: int, default: int) -> int:
        """The first unsigned number of a tag."""
        found = self.numbers(tag)
        return int(found[0]) if found.size else default

    def text(self, tag: int) -> bytes | None:
        """The text of a tag without its closing zero; None where it is absent or no text."""
        kind, raw = self.values.get(tag, (0, b""))
        return raw.rstrip(b"\0") if kind == 2 else None

    @property
    def tiled(self) -> bool:
        """Whether the picture is in tiles, not strips."""
        return _TILES[0] in self.values


def scan(path: str | Path) -> Directory:
    """The directory of a TIFF file that is whole and holds one image.

    Raises:
        MissingPlateError: There is no such file.
        TornFrameError: Not a TIFF, cut, or at odds with itself.
        CannotCarryError: It holds more than one image.
        PlateError: It cannot be opened.
    """
    try:
        with opened(path) as file:
            return _scanned(file, os.fstat(file.fileno()).st_size)
    except FileNotFoundError as error:
        raise MissingPlateError("no such file", file=path) from error
    except OSError as error:
        raise PlateError(f"cannot be read: {error.strerror}", file=path) from error
    except PlateError as error:
        error.at(file=path)
        raise


def _torn(what: str) -> TornFrameError:
    return TornFrameError(f"is cut or garbled: {what}", remedy="copy it again")


def _scanned(file: BufferedReader, size: int) -> Directory:
    head = _exactly(file, 0, min(16, size), size)
    order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
    version = struct.unpack(order + "H", head[2:4])[0] if order and len(head) >= 8 else 0
    if version not in (42, 43):
        raise _torn("its header is none of TIFF")
    big = version == 43
    if big and (len(head) < 16 or struct.unpack(order + "HH", head[4:8]) != (8, 0)):
        raise _torn("its header is none of BigTIFF")
    at = struct.unpack(order + ("Q" if big else "I"), head[8:16] if big else head[4:8])[0]
    directory, following = _directory(file, at, size, order, big=big)
    if following:
        raise CannotCarryError("holds more than one image", remedy="write one image a file")
    _check_pixels(directory, size)
    return directory


def _exactly(file: BufferedReader, at: int, count: int, size: int) -> bytes:
    if at + count > size:
        raise _torn(f"it has {size} bytes and refers to byte {at + count}")
    file.seek(at)
    found = file.read(count)
    if len(found) < count:
        raise _torn("it became shorter while it was read")
    return found


def _directory(
    file: BufferedReader, at: int, size: int, order: str, *, big: bool
) -> tuple[Directory, int]:
    """The directory at a place in the file, and where the next one is; 0 for none."""
    count_form, entry_form, offset_form = ("Q", "HHQ", "Q") if big else ("H", "HHI", "I")
    head, room = struct.calcsize(order + count_form), struct.calcsize(order + offset_form)
    fixed = struct.calcsize(order + entry_form)
    count = struct.unpack(order + count_form, _exactly(file, at, head, size))[0]
    if not 0 < count <= _ENTRY_LIMIT:
        raise _torn(f"its directory claims {count} entries")
    table = _exactly(file, at + head, count * (fixed + room) + room, size)
    values: dict[int, tuple[int, bytes]] = {}
    for start in range(0, count * (fixed + room), fixed + room):
        tag, kind, number = struct.unpack_from(order + entry_form, table, start)
        if kind not in _SIZES:
            continue  # TIFF 6.0, section 2: readers skip over unknown field types
        length = _SIZES[kind] * number
        raw = table[start + fixed : start + fixed + room]
        if length > room:
            where = struct.unpack(order + offset_form, raw)[0]
            if length > _VALUE_LIMIT:
                raise _torn(f"tag {tag} claims {length} bytes")
            raw = _exactly(file, where, length, size)
        values.setdefault(tag, (kind, raw[:length]))  # as the library, the first of equal ones
    following = struct.unpack(order + offset_form, table[-room:])[0]
    return Directory(order, values), following


def _check_pixels(found: Directory, size: int) -> None:
    """Pass strips or tiles that are all there and inside the file."""
    width, height = found.number(_WIDTH, 0), found.number(_HEIGHT, 0)
    samples = found.number(_SAMPLES, 1)
    if not (width and height and samples):
        raise _torn("it states no size")
    if found.tiled:
        across = found.number(_TILE_WIDTH, 0)
        down = found.number(_TILE_HEIGHT, 0)
    else:
        across, down = width, min(found.number(_ROWS, height), height)
    if not (across and down):
        raise _torn("its strips or tiles have no size")
    separate = found.number(_PLANAR, 1) == 2
    expected = -(-width // across) * -(-height // down) * (samples if separate else 1)
    starts, lengths = map(found.numbers, _TILES if found.tiled else _STRIPS)
    if not starts.size == lengths.size == expected:
        raise _torn(f"it needs {expected} strips or tiles and lists {starts.size}")
    if not (starts.all() and lengths.all()):
        raise _torn("a strip or tile is empty")
    if (lengths > size).any() or (starts > size).any() or (starts + lengths > size).any():
        raise _torn(f"it has {size} bytes and its pixels reach beyond")
    bits = int(found.numbers(_BITS)[:samples].sum()) or samples
    least = height * (-(-width * bits // 8))
    if found.number(_COMPRESSION, 1) == 1 and int(lengths.sum()) < least:
        raise _torn(f"its pixels take {least} bytes and it holds {int(lengths.sum())}")

"""One part of an OpenEXR file as its header describes it: windows, channels, codec, tiles.

The header comes as raw attributes; nothing here opens a file, and no size in a header is
trusted beyond the bytes that came with it. Field layouts: "OpenEXR File Layout", the
format's public documentation.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gradeprep.errors import CannotCarryError, TornFrameError
from gradeprep.model.frame import Window
from gradeprep.model.pixeltypes import PixelType
from gradeprep.plates import limits

__all__ = [
    "CODECS",
    "DEEP",
    "LONG_NAMES",
    "MULTI_PART",
    "TILED",
    "Attributes",
    "Channel",
    "Codec",
    "Image",
    "Offsets",
    "chunk_counts",
    "image",
    "utf8",
]

TILED, LONG_NAMES, DEEP, MULTI_PART = 0x200, 0x400, 0x800, 0x1000
"""Bits of the version field."""

Attributes = Mapping[str, tuple[str, bytes]]
"""Attribute name to type and raw bytes, in file order."""

Offsets = npt.NDArray[np.uint64]
"""Where the chunks of a part stand in the file."""


class Codec(NamedTuple):
    """A compression: its name, the scan lines in a chunk, and how far its bytes can reach.

    ``reach`` bounds the decoded bytes of one stored byte. Raw: 1. Runs of 128 in two bytes:
    64. Deflate: 1032 (RFC 1951), a third more where 24 of 32 bits are stored. Runs of 256 half
    floats in ten bits: 410. Blocks of 16 half floats in 14 or in 3 bytes. The last six
    store next to nothing for a flat picture (measured: up to 164,000), so that their bound is
    wide: it only keeps a few bytes from claiming all memory.
    """

    name: str
    lines: int
    reach: int


CODECS: Mapping[int, Codec] = {
    0: Codec("none", 1, 1),
    1: Codec("rle", 1, 64),
    2: Codec("zips", 1, 1032),
    3: Codec("zip", 16, 1032),
    4: Codec("piz", 32, 512),
    5: Codec("pxr24", 16, 1376),
    6: Codec("b44", 32, 3),
    7: Codec("b44a", 32, 11),
    8: Codec("dwaa", 32, 2**20),
    9: Codec("dwab", 256, 2**20),
    10: Codec("htj2k256", 256, 2**20),
    11: Codec("htj2k32", 32, 2**20),
    12: Codec("lj2k", 256, 2**20),
    13: Codec("zstd", 1, 2**20),
}
"""Compression codes of the file format."""

_COORDINATE_LIMIT = 2**30
_PIXEL_TYPES: Mapping[int, PixelType] = {0: "uint32", 1: "half", 2: "float"}
_PIXEL_BYTES: Mapping[PixelType, int] = {"uint32": 4, "half": 2, "float": 4}
_SCAN_LINES, _TILES = "scanlineimage", "tiledimage"
_NEEDED = {
    "channels": "chlist",
    "compression": "compression",
    "dataWindow": "box2i",
    "displayWindow": "box2i",
    "lineOrder": "lineOrder",
    "pixelAspectRatio": "float",
    "screenWindowCenter": "v2f",
    "screenWindowWidth": "float",
}
_SIZES = {
    "box2i": 16,
    "compression": 1,
    "float": 4,
    "int": 4,
    "lineOrder": 1,
    "tiledesc": 9,
    "v2f": 8,
}


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of a part; ``linear`` is the format's hint on how a codec may quantise it."""

    name: str
    pixel_type: PixelType
    linear: bool


@dataclass(frozen=True, slots=True)
class Image:
    """One part of a file.

    Attributes:
        name: The part's name; empty where the file gives none.
        attributes: Every attribute of the header.
        channels: In file order; none is subsampled.
        data_window: x, y, width, height of the pixels that are there.
        display_window: x, y, width, height of the picture.
        compression: Code of the compression, a key of `CODECS`.
        line_order: 0 increasing, 1 decreasing, 2 random.
        tiles: Width and height of a tile; None for scan lines.
        offsets: One for each chunk, in table order.
    """

    name: str
    attributes: Attributes
    channels: tuple[Channel, ...]
    data_window: Window
    display_window: Window
    compression: int
    line_order: int
    tiles: tuple[int, int] | None
    offsets: Offsets = field(default_factory=lambda: np.zeros(0, np.uint64), compare=False)

    @property
    def codec(self) -> Codec:
        """What is known about the part's compression."""
        return CODECS[self.compression]

    @property
    def chunk_counts(self) -> tuple[int, int]:
        """Chunks across and down."""
        return chunk_counts(self.data_window[2:], self.codec, self.tiles)

    @property
    def decoded_bytes(self) -> int:
        """Bytes that the pixels take in memory."""
        pixel = sum(_PIXEL_BYTES[channel.pixel_type] for channel in self.channels)
        return self.data_window[2] * self.data_window[3] * pixel


def chunk_counts(
    size: tuple[int, int], codec: Codec, tiles: tuple[int, int] | None
) -> tuple[int, int]:
    """Chunks across and down of a data window of that width and height, in pixels."""
    wide, high = tiles or (size[0], codec.lines)
    return -(-size[0] // wide), -(-size[1] // high)


def image(header: Attributes, flags: int, side_limit: int) -> Image:
    """The part that a header describes, without a chunk table.

    Args:
        header: The attributes.
        flags: The version field's bits.
        side_limit: Largest width or height accepted, in pixels.

    Raises:
        TornFrameError: An attribute is missing, garbled, or at odds with another.
        CannotCarryError: A kind of picture, compression or text that cannot be carried.
    """
    name = _text(header, "name")
    where = f" in part {name!r}" if name else ""
    tiled = _tiled(header, flags, where)
    for needed, kind in _NEEDED.items():
        _fixed(header, needed, kind, where)
    part = Image(
        name=name,
        attributes=header,
        channels=tuple(_channels(header["channels"][1], where)),
        data_window=_window(header, "dataWindow", side_limit, where),
        display_window=_window(header, "displayWindow", side_limit, where),
        compression=header["compression"][1][0],
        line_order=header["lineOrder"][1][0],
        tiles=_tiles(header, side_limit, where) if tiled else None,
    )
    _check(part, where)
    return part


def utf8(raw: bytes, what: str) -> str:
    """The text that the bytes hold; ``what`` names it where they hold none."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        raise CannotCarryError(
            f"has {what} that is not UTF-8: {raw[:40]!r}", remedy="rewrite it as UTF-8"
        ) from None


def _check(part: Image, where: str) -> None:
    if part.compression not in CODECS:
        raise CannotCarryError(f"has unknown compression {part.compression}{where}")
    if part.line_order > (2 if part.tiles else 1):
        raise TornFrameError(f"is garbled: line order {part.line_order}{where}")
    if "chunkCount" in part.attributes:
        raw = _fixed(part.attributes, "chunkCount", "int", where)
        stated, (across, down) = int.from_bytes(raw, "little", signed=True), part.chunk_counts
        if stated != across * down:
            raise TornFrameError(
                f"is garbled: it states {stated} chunks, its picture takes {across * down}{where}"
            )
    for name, (kind, raw) in part.attributes.items():
        for text in _texts(name, kind, raw):
            utf8(text, f"a text in attribute {name!r}")


def _tiled(header: Attributes, flags: int, where: str) -> bool:
    """Tiles or scan lines: the header must agree with the version flags."""
    stated = _text(header, "type")
    if flags & DEEP and (stated.startswith("deep") or not flags & MULTI_PART):
        raise CannotCarryError(f"is deep{where}", remedy="flatten it first")
    if flags & MULTI_PART:
        if stated not in (_SCAN_LINES, _TILES):
            raise TornFrameError(f"is garbled: its type is {stated!r}{where}")
        if "chunkCount" not in header:
            raise TornFrameError(f"is garbled: attribute 'chunkCount' is missing{where}")
        return stated == _TILES
    expected = _TILES if flags & TILED else _SCAN_LINES
    if stated not in ("", expected):
        raise TornFrameError(f"is garbled: its type is {stated!r}, its flags mean {expected!r}")
    return expected == _TILES


def _fixed(header: Attributes, name: str, kind: str, where: str = "") -> bytes:
    """Raw bytes of an attribute that must be there, of that type and its size."""
    if name not in header:
        raise TornFrameError(f"is garbled: attribute {name!r} is missing{where}")
    found, raw = header[name]
    if found != kind:
        raise TornFrameError(f"is garbled: attribute {name!r} is {found!r}, not {kind!r}{where}")
    if len(raw) != _SIZES.get(kind, len(raw)):
        raise TornFrameError(f"is garbled: attribute {name!r} has {len(raw)} bytes{where}")
    return raw


def _text(header: Attributes, name: str) -> str:
    """A string attribute; empty where there is none."""
    if name not in header:
        return ""
    return utf8(_fixed(header, name, "string"), f"a text in attribute {name!r}")


def _texts(name: str, kind: str, raw: bytes) -> Iterator[bytes]:
    """The texts in an attribute of a text type."""
    if kind == "string":
        yield raw
    at = 0
    while kind == "stringvector" and at < len(raw):
        size = int.from_bytes(raw[at : at + 4], "little", signed=True)
        at += 4
        if not 0 <= size <= len(raw) - at:
            raise TornFrameError(f"is garbled: a text in attribute {name!r} does not fit")
        yield raw[at : at + size]
        at += size


def _channels(raw: bytes, where: str) -> Iterator[Channel]:
    at, last = 0, b""
    while raw[at:] != b"\0":
        end = raw.find(0, at)
        if end <= at or end + 17 > len(raw):
            raise TornFrameError(f"is garbled: its channel list does not end{where}")
        word, fields = raw[at:end], struct.unpack_from("<iB3xii", raw, end + 1)
        if word <= last:
            raise TornFrameError(f"is garbled: channel {word!r} is out of order{where}")
        yield _channel(utf8(word, "a channel name"), *fields, where=where)
        at, last = end + 17, word
    if not at:
        raise TornFrameError(f"is garbled: it has no channel{where}")


def _channel(name: str, code: int, linear: int, across: int, down: int, *, where: str) -> Channel:
    if code not in _PIXEL_TYPES or across < 1 or down < 1:
        raise TornFrameError(f"is garbled: channel {name!r}{where}")
    if (across, down) != (1, 1):
        raise CannotCarryError(
            f"has channel {name!r} subsampled by {across} x {down}{where}",
            remedy="bring it to full resolution first",
        )
    return Channel(name, _PIXEL_TYPES[code], bool(linear))


def _window(header: Attributes, name: str, side_limit: int, where: str) -> Window:
    left, top, right, bottom = struct.unpack("<4i", header[name][1])
    width, height = right - left + 1, bottom - top + 1
    if min(width, height) < 1:
        raise TornFrameError(f"is garbled: its {name} is empty{where}")
    if max(map(abs, (left, top, right, bottom))) >= _COORDINATE_LIMIT:
        raise TornFrameError(f"is garbled: its {name} lies out of all bounds{where}")
    if max(width, height) > side_limit:
        raise CannotCarryError(
            f"is too large: its {name} is {width} x {height}, the limit is {side_limit}{where}",
            remedy=f"if that is meant, raise {limits.SIDE}",
        )
    return left, top, width, height


def _tiles(header: Attributes, side_limit: int, where: str) -> tuple[int, int]:
    width, height, mode = struct.unpack("<IIB", _fixed(header, "tiles", "tiledesc", where))
    levels, rounding = mode & 0x0F, mode >> 4
    if not (0 < width <= side_limit and 0 < height <= side_limit and levels <= 2 and rounding < 2):
        raise TornFrameError(f"is garbled: its tiles are {width} x {height}, mode {mode}{where}")
    if levels:
        kind = ("mip", "rip")[levels - 1]
        raise CannotCarryError(f"has {kind} levels{where}", remedy="reduce it to one level first")
    return width, height

"""Small EXR files put together byte by byte: no library would write the odd ones.

After "OpenEXR File Layout", the format's public documentation.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any

TILED, LONG_NAMES, DEEP, MULTI_PART = 0x200, 0x400, 0x800, 0x1000
WIDTH, HEIGHT = 3, 4

Attributes = dict[str, tuple[str, bytes]]


def chlist(*channels: tuple[str, int, int, int, int]) -> bytes:
    """A channel list of (name, pixel type code, linear flag, x sampling, y sampling)."""
    entries = (
        name.encode() + b"\0" + struct.pack("<iB3xii", code, linear, across, down)
        for name, code, linear, across, down in channels
    )
    return b"".join(entries) + b"\0"


def box(x: int, y: int, width: int, height: int) -> tuple[str, bytes]:
    return "box2i", struct.pack("<4i", x, y, x + width - 1, y + height - 1)


def text(value: str) -> tuple[str, bytes]:
    return "string", value.encode()


def integer(value: int) -> tuple[str, bytes]:
    return "int", struct.pack("<i", value)


def tiles(width: int, height: int, mode: int = 0) -> tuple[str, bytes]:
    return "tiledesc", struct.pack("<IIB", width, height, mode)


def header(**changes: Any) -> Attributes:
    """The attributes of a part of one half channel; keywords replace, None removes."""
    attributes = {
        "channels": ("chlist", chlist(("Y", 1, 0, 1, 1))),
        "compression": ("compression", b"\0"),
        "dataWindow": box(0, 0, WIDTH, HEIGHT),
        "displayWindow": box(0, 0, WIDTH, HEIGHT),
        "lineOrder": ("lineOrder", b"\0"),
        "pixelAspectRatio": ("float", struct.pack("<f", 1.0)),
        "screenWindowCenter": ("v2f", struct.pack("<2f", 0.0, 0.0)),
        "screenWindowWidth": ("float", struct.pack("<f", 1.0)),
    }
    attributes.update(changes)
    return {name: value for name, value in attributes.items() if value is not None}


def part(name: str, /, **changes: Any) -> Attributes:
    """The attributes of one part of a multi-part file."""
    told = {"name": text(name), "type": text("scanlineimage"), "chunkCount": integer(HEIGHT)}
    return header(**{**told, **changes})


def head(*headers: Mapping[str, tuple[str, bytes]], flags: int = 0) -> bytes:
    """Magic, version field and headers."""
    raw = struct.pack("<ii", 20_000_630, 2 | flags)
    for attributes in headers:
        for name, (kind, value) in attributes.items():
            raw += name.encode("latin-1") + b"\0" + kind.encode("latin-1") + b"\0"
            raw += struct.pack("<i", len(value)) + value
        raw += b"\0"
    return raw + b"\0" if flags & MULTI_PART else raw


def exr(*headers: Mapping[str, tuple[str, bytes]], flags: int = 0, halves: int = WIDTH) -> bytes:
    """A whole file of `HEIGHT` uncompressed scan lines, line y made of half floats of y + 1."""
    raw = head(*headers, flags=flags)
    first = len(raw) + 8 * HEIGHT * len(headers)
    table = chunks = b""
    for number in range(len(headers)):
        for y in range(HEIGHT):
            table += struct.pack("<Q", first + len(chunks))
            chunks += struct.pack("<i", number) if flags & MULTI_PART else b""
            chunks += struct.pack("<ii", y, 2 * halves) + struct.pack("<e", y + 1.0) * halves
    return raw + table + chunks


def tiled_exr(**changes: Any) -> bytes:
    """A whole file of uncompressed tiles of 2 x 2 half floats."""
    raw = head(header(tiles=tiles(2, 2), **changes), flags=TILED)
    places = [(x, y) for y in range(2) for x in range(2)]
    first = len(raw) + 8 * len(places)
    table = chunks = b""
    for x, y in places:
        table += struct.pack("<Q", first + len(chunks))
        pixels = min(2, WIDTH - 2 * x) * 2
        chunks += struct.pack("<5i", x, y, 0, 0, 2 * pixels) + struct.pack("<e", x + y) * pixels
    return raw + table + chunks

"""The header of a DPX file as a table of fields: look up, change, make new (SMPTE ST 268).

A header is carried as the bytes it was read as. It is not parsed and formatted
again: a field is read and changed in place, so that every byte outside the named fields stays as
it was, in the file's own byte order.

Binary fields whose bits are all ones, and texts of no characters, are undefined by the standard;
their value is None. Many real headers end after 1664 bytes, before the film and television
blocks, so a field beyond the end of the header is None as well.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from gradeprep.plates.dpxpack import FILLED_A, PACKED, packing_of

__all__ = [
    "DESCRIPTORS",
    "ELEMENT_FIELDS",
    "FIELDS",
    "Field",
    "HEADER_BYTES",
    "decoded",
    "frame_rate",
    "is_big_endian",
    "new_header",
    "patched",
    "timecode_text",
    "timecode_word",
    "value",
]

HEADER_BYTES = 2048
"""Size of a complete header without user data."""

_ELEMENTS_AT, _ELEMENT_BYTES, _ELEMENTS_MOST = 780, 72, 8

DESCRIPTORS: Mapping[int, tuple[str, ...]] = {
    1: ("R",),
    2: ("G",),
    3: ("B",),
    4: ("A",),
    6: ("Y",),
    50: ("R", "G", "B"),
    51: ("R", "G", "B", "A"),
    52: ("A", "B", "G", "R"),
}
"""Image element descriptors whose samples are carried, with the order of samples in the file."""


@dataclass(frozen=True, slots=True)
class Field:
    """Where a field lies and what it is.

    Attributes:
        offset: Bytes from the start of the file, or from the start of an image element's entry.
        kind: A format character of the struct module (B, H, I, f), ``text`` or ``timecode``.
        size: Number of bytes.
    """

    offset: int
    kind: str
    size: int


def _number(offset: int, kind: str) -> Field:
    return Field(offset, kind, struct.calcsize(kind))


def _text(offset: int, size: int) -> Field:
    return Field(offset, "text", size)


FIELDS: Mapping[str, Field] = {
    "magic": _text(0, 4),
    "image_offset": _number(4, "I"),
    "version": _text(8, 8),
    "file_size": _number(16, "I"),
    "ditto_key": _number(20, "I"),
    "generic_size": _number(24, "I"),
    "industry_size": _number(28, "I"),
    "user_size": _number(32, "I"),
    "file_name": _text(36, 100),
    "creation_time": _text(136, 24),
    "creator": _text(160, 100),
    "project": _text(260, 200),
    "copyright": _text(460, 200),
    "encryption_key": _number(660, "I"),
    "orientation": _number(768, "H"),
    "elements": _number(770, "H"),
    "width": _number(772, "I"),
    "height": _number(776, "I"),
    "x_offset": _number(1408, "I"),
    "y_offset": _number(1412, "I"),
    "x_centre": _number(1416, "f"),
    "y_centre": _number(1420, "f"),
    "x_original": _number(1424, "I"),
    "y_original": _number(1428, "I"),
    "source_file": _text(1432, 100),
    "source_time": _text(1532, 24),
    "input_device": _text(1556, 32),
    "input_serial": _text(1588, 32),
    "pixel_aspect_x": _number(1628, "I"),
    "pixel_aspect_y": _number(1632, "I"),
    "film_manufacturer": _text(1664, 2),
    "film_type": _text(1666, 2),
    "film_offset": _text(1668, 2),
    "film_prefix": _text(1670, 6),
    "film_count": _text(1676, 4),
    "film_format": _text(1680, 32),
    "frame_position": _number(1712, "I"),
    "sequence_length": _number(1716, "I"),
    "held_count": _number(1720, "I"),
    "film_rate": _number(1724, "f"),
    "shutter_angle": _number(1728, "f"),
    "frame_id": _text(1732, 32),
    "slate": _text(1764, 100),
    "timecode": Field(1920, "timecode", 4),
    "user_bits": _number(1924, "I"),
    "interlace": _number(1928, "B"),
    "field_number": _number(1929, "B"),
    "video_signal": _number(1930, "B"),
    "television_rate": _number(1940, "f"),
    "gamma": _number(1948, "f"),
    "integration_time": _number(1968, "f"),
}
"""Fields of the whole file, by name."""

ELEMENT_FIELDS: Mapping[str, Field] = {
    "data_sign": _number(0, "I"),
    "low_data": _number(4, "I"),
    "low_quantity": _number(8, "f"),
    "high_data": _number(12, "I"),
    "high_quantity": _number(16, "f"),
    "descriptor": _number(20, "B"),
    "transfer": _number(21, "B"),
    "colorimetric": _number(22, "B"),
    "bits": _number(23, "B"),
    "packing": _number(24, "H"),
    "encoding": _number(26, "H"),
    "data_offset": _number(28, "I"),
    "line_padding": _number(32, "I"),
    "image_padding": _number(36, "I"),
    "description": _text(40, 32),
}
"""Fields of one image element, by name; offsets count from the element's entry."""


def is_big_endian(raw: bytes) -> bool:
    """Whether the magic number is in big-endian byte order.

    Raises:
        ValueError: The bytes do not begin with a magic number of the standard.
    """
    if raw[:4] not in (b"SDPX", b"XPDS"):
        raise ValueError(f"{raw[:4]!r} is not the magic number of a DPX file")
    return raw[:4] == b"SDPX"


def _place(name: str, element: int) -> tuple[Field, int]:
    """The field of that name and its offset from the start of the file."""
    if name in FIELDS:
        return FIELDS[name], FIELDS[name].offset
    if name not in ELEMENT_FIELDS:
        raise ValueError(f"a DPX header has no field named {name!r}")
    if not 0 <= element < _ELEMENTS_MOST:
        raise ValueError(f"a DPX header has no image element {element}")
    field = ELEMENT_FIELDS[name]
    return field, _ELEMENTS_AT + _ELEMENT_BYTES * element + field.offset


def _order(raw: bytes) -> str:
    return ">" if is_big_endian(raw) else "<"


def value(raw: bytes, name: str, *, element: int = 0) -> Any:
    """One field: int, float or str, or None where it is undefined or beyond the header's end.

    Floats that are not finite are None as well.
    """
    field, start = _place(name, element)
    stored = raw[start : start + field.size]
    if len(stored) < field.size or (field.kind != "text" and set(stored) == {0xFF}):
        return None
    if field.kind == "text":
        return _decoded_text(stored)
    if field.kind == "timecode":
        return timecode_text(int(struct.unpack(_order(raw) + "I", stored)[0]))
    number = struct.unpack(_order(raw) + field.kind, stored)[0]
    return number if math.isfinite(number) else None


def _decoded_text(stored: bytes) -> str | None:
    """ASCII up to the first NUL or undefined byte; what cannot be printed becomes '?'."""
    text = re.split(rb"[\x00\xff]", stored, maxsplit=1)[0].decode("ascii", errors="replace")
    return "".join(c if " " <= c <= "~" else "?" for c in text) or None


def decoded(raw: bytes, *, element: int = 0) -> dict[str, Any]:
    """All fields of the file and of one image element, the byte order and the rate as text."""
    fields: dict[str, Any] = {
        name: value(raw, name, element=element) for name in (*FIELDS, *ELEMENT_FIELDS)
    }
    return fields | {
        "byte_order": "big" if is_big_endian(raw) else "little",
        "rate": frame_rate(raw),
    }


def patched(raw: bytes, *, element: int = 0, **fields: int | float | str | None) -> bytes:
    """The same header with the named fields changed and every other byte untouched.

    Args:
        raw: Header bytes, with or without user data behind them.
        element: Image element whose fields are meant by the names in ``ELEMENT_FIELDS``.
        fields: Name to value; None makes a field undefined. Texts are cut to the room there is,
            and characters outside ASCII become '?'.

    Raises:
        ValueError: No such field, a value that does not fit in it, or a field that this header
            ends before.
    """
    return _patched(raw, element, fields)


_Content = int | float | str | None


def _patched(raw: bytes, element: int, fields: Mapping[str, _Content]) -> bytes:
    header = bytearray(raw)
    for name, content in fields.items():
        field, start = _place(name, element)
        if start + field.size > len(raw):
            raise ValueError(f"this header of {len(raw)} bytes ends before its field {name!r}")
        header[start : start + field.size] = _encoded(field, name, content, _order(raw))
    return bytes(header)


def _encoded(field: Field, name: str, content: _Content, order: str) -> bytes:
    if content is None:
        return (b"\0" if field.kind == "text" else b"\xff") * field.size
    if field.kind == "text":
        return str(content).encode("ascii", errors="replace")[: field.size].ljust(field.size, b"\0")
    if field.kind == "timecode":
        return struct.pack(order + "I", timecode_word(str(content)))
    try:
        return struct.pack(order + field.kind, content)
    except (struct.error, OverflowError) as error:
        raise ValueError(f"{content!r} does not fit in the DPX field {name!r}") from error


_DROP_FRAME = 0x40


def timecode_text(word: int) -> str | None:
    """Label of a BCD time code word, or None when it is undefined or not valid BCD (ST 12-1).

    Hours are in the top byte, then minutes, seconds and frames. Bits 6 and 7 above the tens are
    flags; of them, only drop-frame (bit 6 of the frames) shows in the label.

    >>> timecode_text(0x01020304), timecode_text(0x23595869), timecode_text(0xFFFFFFFF)
    ('01:02:03:04', '23:59:58;29', None)
    """
    bytes_and_masks = zip(word.to_bytes(4, "big"), (0x3F, 0x7F, 0x7F, 0x3F), strict=True)
    digits = [f"{byte & mask:02x}" for byte, mask in bytes_and_masks]
    if not all(pair.isdecimal() for pair in digits):
        return None
    hours, minutes, seconds, frames = digits
    if int(hours) > 23 or int(minutes) > 59 or int(seconds) > 59:
        return None
    return f"{hours}:{minutes}:{seconds}{';' if word & _DROP_FRAME else ':'}{frames}"


def timecode_word(label: str) -> int:
    """BCD word of a label ``HH:MM:SS:FF``, or ``HH:MM:SS;FF`` for drop-frame (ST 12-1).

    Raises:
        ValueError: Not such a label, or more than 39 frames: two bits hold the tens.

    >>> hex(timecode_word("07:32:54;18"))
    '0x7325458'
    """
    digits = re.fullmatch(r"(\d\d):([0-5]\d):([0-5]\d)([:;])([0-3]\d)", label, re.ASCII)
    if digits is None or int(digits[1]) > 23:
        raise ValueError(f"{label!r} is not a time code; write HH:MM:SS:FF, or ;FF for drop-frame")
    flag = _DROP_FRAME if digits[4] == ";" else 0
    return int(digits[1] + digits[2] + digits[3] + digits[5], 16) | flag


def frame_rate(raw: bytes) -> str | None:
    """Frames per second as text: the television rate, else the film rate, else None.

    A stored float that is a simple fraction, or rounds a usual rate slowed by 1000/1001, becomes
    that fraction; anything else (zero, infinite, uninitialised) is taken as not set.
    """
    for name in ("television_rate", "film_rate"):
        rate = value(raw, name)
        exact = _exact_rate(rate) if rate is not None and 1.0 <= rate <= 1000.0 else None
        if exact is not None:
            return str(exact)
    return None


_SLOWED_RATES = (24, 30, 48, 60, 72, 96, 120)


def _exact_rate(rate: float) -> Fraction | None:
    simple = Fraction(rate).limit_denominator(16)
    if abs(simple - rate) <= 1e-6 * rate:
        return simple
    # Writers round to two or three decimals (23.98); 24 and 24000/1001 are 1e-3 apart.
    slowed = (Fraction(whole * 1000, 1001) for whole in _SLOWED_RATES)
    return next((exact for exact in slowed if abs(exact - rate) <= 3e-4 * rate), None)


def new_header(
    *,
    width: int,
    height: int,
    channels: tuple[str, ...],
    bits: int,
    transfer: int,
    colorimetric: int,
    timecode: str | None,
    rate: str | None,
    filename: str,
    big_endian: bool = True,
) -> bytes:
    """A fresh 2048-byte header of one image element, other fields undefined.

    10 and 12 bit are filled by method A, 8 and 16 bit are packed. Rows that do not end at a
    32-bit word are padded to one, and the header states the padding, so that readers which
    align rows by themselves and readers which go by the field find the same pixels.

    Args:
        width: Pixels in a row.
        height: Number of rows.
        channels: Names of channels in any order: a set that ``DESCRIPTORS`` lists.
        bits: 8, 10, 12 or 16.
        transfer: Code of the transfer characteristic, 0 to 255.
        colorimetric: Code of the colorimetric specification, 0 to 255.
        timecode: ``HH:MM:SS:FF``, with ``;FF`` for drop-frame, or None.
        rate: Frames per second as text, ``24`` or ``24000/1001``, or None.
        filename: Name of the file, without folders.
        big_endian: Byte order of header and pixels.

    Raises:
        ValueError: A value that the header or the format cannot hold.
    """
    descriptor = _descriptor(channels)
    packing = FILLED_A if bits in (10, 12) else PACKED
    words = packing_of(bits=bits, packing=packing, components=len(channels), big_endian=big_endian)
    line = words.row_bytes(width * len(channels))
    padding = -line % 4
    number = None if rate is None else float(Fraction(rate))
    fields: dict[str, _Content] = {
        "image_offset": HEADER_BYTES,
        "version": "V2.0",
        "file_size": HEADER_BYTES + height * (line + padding),
        "ditto_key": 1,
        "generic_size": 1664,
        "industry_size": 384,
        "user_size": 0,
        "file_name": filename,
        "creator": "gradeprep",
        "orientation": 0,
        "elements": 1,
        "width": width,
        "height": height,
        "timecode": timecode,
        "film_rate": number,
        "television_rate": number,
        "data_sign": 0,
        "low_data": 0,
        "high_data": (1 << bits) - 1,
        "descriptor": descriptor,
        "transfer": transfer,
        "colorimetric": colorimetric,
        "bits": bits,
        "packing": packing,
        "encoding": 0,
        "data_offset": HEADER_BYTES,
        "line_padding": padding,
        "image_padding": 0,
    }
    return _patched(_undefined(big_endian), 0, fields)


def _descriptor(channels: tuple[str, ...]) -> int:
    for code, names in DESCRIPTORS.items():
        if sorted(names) == sorted(channels):
            return code
    raise ValueError(f"DPX has no image element of the channels {', '.join(channels)}")


def _undefined(big_endian: bool) -> bytes:
    """A header in which everything but the magic number is undefined."""
    header = (b"SDPX" if big_endian else b"XPDS").ljust(HEADER_BYTES, b"\xff")
    texts = (name for name, field in FIELDS.items() if field.kind == "text" and name != "magic")
    header = _patched(header, 0, dict.fromkeys(texts))
    for element in range(_ELEMENTS_MOST):
        header = patched(header, element=element, description=None)
    return header

"""A part's header as the OpenEXR module has it: fields to read and fields to change.

Values are the module's own (tuples of arrays for windows, `fractions.Fraction` for rationals, a
one-element float64 array for a double). Where its value would not come back with the bytes it
came from, the header holds an `OpenEXR.OpaqueAttribute` with those bytes instead.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import OpenEXR

from gradeprep.errors import CannotCarryError
from gradeprep.model.frame import Part
from gradeprep.plates.exrimage import CODECS
from gradeprep.primaries import AP0

__all__ = [
    "ENUMERATED",
    "LINEAR",
    "RECIPE",
    "STOPS",
    "as_aces",
    "label",
    "new_header",
    "rate",
    "rate_text",
    "timecode",
    "value",
    "with_attributes",
    "with_compression",
]

STOPS = "gradeprepStops"
"""Attribute with the stops that were applied to a picture; written as a double."""

RECIPE = "gradeprepRecipe"
"""Attribute with the digests of the recipes that were applied, oldest first, comma between."""

LINEAR = "channels.pLinear"
"""Key of a part's header (no attribute) that lists the channels flagged perceptually linear."""

ENUMERATED: Mapping[str, Any] = {
    CODECS[int(member.value)].name: member
    for member in OpenEXR.Compression.__members__.values()
    if int(member.value) in CODECS
}
"""Compressions that the module reads and writes, by name."""

_RATE_PARTS = 10_000
"""Largest denominator of a rate: a long decimal would not fit the 32 bits of a rational."""

_LABEL = re.compile(r"(\d\d):(\d\d):(\d\d)([:;])(\d\d)")


def with_attributes(part: Part, changes: Mapping[str, object]) -> Part:
    """The same part with attributes replaced or added; None removes one."""
    header = {**part.header, **changes}
    if isinstance(stops := changes.get(STOPS), float):
        header[STOPS] = np.array([stops])  # a bare float would be rounded to four bytes
    return replace(part, header={name: it for name, it in header.items() if it is not None})


def with_compression(part: Part, compression: str) -> Part:
    """The same part, to be written with a compression of `ENUMERATED`."""
    if compression not in ENUMERATED:
        raise CannotCarryError(
            f"compression {compression!r} cannot be written",
            remedy=f"take one of {', '.join(ENUMERATED)}",
        )
    return with_attributes(part, {"compression": ENUMERATED[compression]})


def as_aces(part: Part) -> Part:
    """The same part under the header of an ACES image container (SMPTE ST 2065-4).

    Scan lines, no compression, AP0 primaries, half-float channels.

    Raises:
        CannotCarryError: A channel is not half-float.
    """
    wrong = [name for name, plane in part.channels.items() if plane.dtype != np.float16]
    if wrong:
        raise CannotCarryError(
            f"an ACES container holds half-float channels; {', '.join(wrong)} is not one",
            remedy="set type: half",
        )
    changes = {
        "acesImageContainerFlag": 1,
        "chromaticities": AP0,
        "compression": ENUMERATED["none"],
        "dwaCompressionLevel": None,
        "lineOrder": OpenEXR.INCREASING_Y,
        "tiles": None,
        "type": OpenEXR.scanlineimage,
    }
    return with_attributes(part, changes)


def new_header(
    *,
    height: int,
    width: int,
    timecode: str | None = None,
    rate: str | None = None,
    pixel_aspect: float | None = None,
) -> dict[str, Any]:
    """The header of a picture from another format: scan lines, zip, windows at the origin.

    Args:
        height: Of both windows, in pixels.
        width: Of both windows, in pixels.
        timecode: SMPTE ST 12-1 label, if any.
        rate: Frames per second, as ``24`` or ``24000/1001``, if any.
        pixel_aspect: Width over height of a pixel; 1 when left out.
    """
    window = np.array([0, 0], np.int32), np.array([width - 1, height - 1], np.int32)
    header = {
        "type": OpenEXR.scanlineimage,
        "compression": ENUMERATED["zip"],
        "dataWindow": window,
        "displayWindow": window,
        "pixelAspectRatio": 1.0 if pixel_aspect is None else float(pixel_aspect),
        "timeCode": None if timecode is None else _time(timecode),
        "framesPerSecond": None if rate is None else Fraction(rate).limit_denominator(_RATE_PARTS),
    }
    return {name: it for name, it in header.items() if it is not None}


def timecode(part: Part) -> str | None:
    """SMPTE ST 12-1 label of a part, if it has one."""
    time = part.header.get("timeCode")
    if not isinstance(time, OpenEXR.TimeCode):
        return None
    mark = ";" if time.dropFrame else ":"
    return f"{time.hours:02}:{time.minutes:02}:{time.seconds:02}{mark}{time.frame:02}"


def rate(part: Part) -> str | None:
    """Frames per second of a part as text, exact; None where it has none."""
    found = part.header.get("framesPerSecond")
    if isinstance(found, OpenEXR.OpaqueAttribute) and found.typeName == "rational":
        return rate_text(*struct.unpack("<iI", found.data))
    return rate_text(found.numerator, found.denominator) if isinstance(found, Fraction) else None


def rate_text(numerator: int, denominator: int) -> str | None:
    """``24`` or ``24000/1001``, in lowest terms; None where that is no rate.

    >>> rate_text(48, 2)
    '24'
    """
    return str(Fraction(numerator, denominator)) if numerator > 0 and denominator > 0 else None


def label(time: int) -> str | None:
    """SMPTE ST 12-1 label of an EXR time word; None where its digits are no time of day.

    Args:
        time: Binary coded decimals, from the low bits up: frames (bits 0-5), seconds (8-14),
            minutes (16-22), hours (24-29). Bit 6 is set for drop-frame.

    >>> label(0x10203045)
    '10:20:30;05'
    """
    pairs = ((time >> 24, 0x3), (time >> 16, 0x7), (time >> 8, 0x7), (time, 0x3))
    digits = [digit for word, tens in pairs for digit in (word >> 4 & tens, word & 0xF)]
    hours, minutes, seconds, _ = (10 * digits[i] + digits[i + 1] for i in range(0, 8, 2))
    if max(digits) > 9 or hours > 23 or minutes > 59 or seconds > 59:
        return None
    text = "{}{}:{}{}:{}{}:{}{}".format(*digits)
    return text[:8] + ";" + text[9:] if time & 0x40 else text


def value(kind: str, raw: bytes, read: Any) -> Any:
    """The module's value of an attribute, or its bytes where the value would not bring them back.

    Those are: rationals not in lowest terms (48/2), timecodes that are no time of day, empty
    vectors and previews, channel lists under another name, compressed id manifests.

    Args:
        kind: The attribute's type in the file.
        raw: Its bytes in the file.
        read: What the module made of it.
    """
    faithful = read is not None and kind not in ("chlist", "idmanifest")
    if isinstance(read, list):
        faithful = faithful and bool(read)
    elif isinstance(read, Fraction):
        faithful = raw == struct.pack("<iI", read.numerator, read.denominator)
    elif isinstance(read, OpenEXR.TimeCode):
        faithful = label(int.from_bytes(raw[:4], "little")) is not None
    return read if faithful else OpenEXR.OpaqueAttribute(raw, kind)


def _time(text: str) -> Any:
    match = _LABEL.fullmatch(text)
    if match is None:
        raise CannotCarryError(f"{text!r} is no timecode", remedy="write it as HH:MM:SS:FF")
    time = OpenEXR.TimeCode()
    time.hours, time.minutes, time.seconds, time.frame = map(int, match.group(1, 2, 3, 5))
    time.dropFrame = match[4] == ";"
    return time

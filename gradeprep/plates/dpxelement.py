"""The image elements of a DPX file: which can be carried, and where their rows lie.

Everything here is decided from the header and the size of the file, so that a torn file is found
without decoding a pixel and no memory is allocated for a picture that the file cannot hold. Where
the standard (SMPTE ST 268) is clear it is followed; where good files differ from it in practice,
the size of the file decides:

* Rows break at 32-bit words. Rows of 8, 12 (filled) or 16 bits that run on without a break exist
  too, and are taken as such when the room for the image is exactly theirs.
* The size that a header gives for its file is often a leftover. It is used only where it
  ends within ``TAIL_BYTES`` after the file's end: then the file's tail was cut.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from gradeprep.errors import CannotCarryError, TornFrameError
from gradeprep.plates import limits
from gradeprep.plates.dpxheader import DESCRIPTORS, value
from gradeprep.plates.dpxpack import Packing, packing_of
from gradeprep.plates.limits import Limits

__all__ = ["CORE_BYTES", "TAIL_BYTES", "Element", "described", "fitted"]

CORE_BYTES = 1664
"""Size of the smallest header that files have: generic information, no film or television."""

TAIL_BYTES = 8192
"""Largest block that writers align with."""

_UNENCRYPTED = (None, 0)


@dataclass(frozen=True, slots=True)
class Element:
    """One image element.

    Attributes:
        index: Position in the header, from 0.
        channels: Names of a pixel's samples in the order they have in the file.
        width: Pixels in a row.
        height: Number of rows.
        packing: How samples lie in words.
        offset: Bytes from the start of the file to the first row.
        line_bytes: Bytes from one row to the next.
        line_padding: Bytes that the header gives for padding at the end of a row.
        image_padding: Bytes that the header gives for padding after the last row.
    """

    index: int
    channels: tuple[str, ...]
    width: int
    height: int
    packing: Packing
    offset: int
    line_bytes: int
    line_padding: int
    image_padding: int

    @property
    def samples(self) -> int:
        """Samples in a row."""
        return self.width * len(self.channels)

    @property
    def row_bytes(self) -> int:
        """Bytes of a row before padding at its end."""
        return self.packing.row_bytes(self.samples)

    @property
    def unbroken(self) -> int:
        """Bytes from one row to the next where rows do not break at 32-bit words."""
        return self.row_bytes + self.line_padding

    @property
    def decoded_bytes(self) -> int:
        """Bytes of its code values in memory."""
        return self.samples * self.height * self.packing.sample_type.itemsize

    @property
    def end(self) -> int:
        """Offset of the first byte after the last row and its padding."""
        return self.offset + self.line_bytes * self.height


def described(head: bytes, allowed: Limits | None = None) -> tuple[Element, ...]:
    """The image elements that a header describes, rows broken at words as the standard requires.

    Args:
        head: The header: at least ``CORE_BYTES`` bytes of it, in a file that is whole.
        allowed: How large its picture may be; from the environment when left out.

    Raises:
        TornFrameError: The header is cut or garbled.
        CannotCarryError: An element is of a kind whose samples are not carried, or the picture
            is beyond the limits.
    """
    allowed = allowed or limits.current()
    _check_core(head)
    width, height = value(head, "width"), value(head, "height")
    if not width or not height:
        raise _garbled(f"its size is {width} x {height}")
    if max(width, height) > allowed.side:
        raise TornFrameError(
            f"the DPX header is garbled: its size is {width} x {height}, beyond {allowed.side} "
            "on a side",
            remedy=f"copy the frame again; if that size is meant, raise {limits.SIDE}",
        )
    count = value(head, "elements")
    if count is None or not 1 <= count <= 8:
        raise _garbled(f"it has {count} image elements; 1 to 8 are possible")
    elements = tuple(_element(head, index, width, height) for index in range(count))
    allowed.check_bytes(sum(element.decoded_bytes for element in elements))
    first = min(element.offset for element in elements)
    if first != value(head, "image_offset"):
        raise _garbled(
            f"its image begins at byte {value(head, 'image_offset')} by one field "
            f"and at {first} by another"
        )
    return elements


def _garbled(what: str) -> TornFrameError:
    return TornFrameError(f"the DPX header is garbled: {what}")


def _cut(what: str) -> TornFrameError:
    return TornFrameError(f"the file is cut: {what}")


def _foreign(what: str) -> CannotCarryError:
    return CannotCarryError(f"{what} cannot be carried", remedy="convert the plate first")


def _check_core(head: bytes) -> None:
    if not head:
        raise _cut("it holds no bytes")
    if head[:4] not in (b"SDPX", b"XPDS"):
        what = "only zeros" if not any(head) else f"{head[:4]!r}"
        raise TornFrameError(f"this is no DPX file: it begins with {what}")
    if len(head) < CORE_BYTES:
        raise _cut(f"it ends after {len(head)} bytes, within the header")
    version = value(head, "version")
    if version is None:
        raise _garbled("it names no version")
    if version.upper() not in ("V1.0", "V2.0"):
        raise _foreign(f"DPX version {version!r}")
    if value(head, "file_size") == 0:
        raise _garbled("it gives the file a size of zero, as a writer that never finished leaves")
    if value(head, "encryption_key") not in _UNENCRYPTED:
        raise _foreign("an encrypted image")
    offset = value(head, "image_offset")
    if offset is None or offset < CORE_BYTES:
        raise _garbled(f"its image begins at byte {offset}, within the header")


def _element(head: bytes, index: int, width: int, height: int) -> Element:
    def field(name: str) -> int | None:
        found: int | None = value(head, name, element=index)
        return found

    packing = _packing(head, index)
    channels = DESCRIPTORS[field("descriptor") or 0]
    offset = field("data_offset") or (value(head, "image_offset") if index == 0 else None)
    if offset is None:
        raise _garbled(f"image element {index} begins nowhere")
    line_padding = field("line_padding") or 0
    tight = packing.row_bytes(width * len(channels))
    # A padding that brings rows to a word boundary is that break, not one more.
    aligned = tight if (tight + line_padding) % 4 == 0 else tight + -tight % 4
    return Element(
        index=index,
        channels=channels,
        width=width,
        height=height,
        packing=packing,
        offset=offset,
        line_bytes=aligned + line_padding,
        line_padding=line_padding,
        image_padding=field("image_padding") or 0,
    )


def _packing(head: bytes, index: int) -> Packing:
    """How an element's samples lie in words, once its kind is checked."""
    names = ("descriptor", "bits", "packing", "encoding", "data_sign")
    descriptor, bits, packing, encoding, sign = (value(head, n, element=index) for n in names)
    which = f"image element {index} with"
    if descriptor not in DESCRIPTORS:
        raise _foreign(f"{which} descriptor {descriptor} (R, G, B, A, luma, RGB, RGBA, ABGR are)")
    if encoding not in (None, 0):
        raise _foreign(f"{which} encoding {encoding} (1 is run-length)")
    if sign not in (None, 0):
        raise _foreign(f"{which} signed samples")
    try:
        return packing_of(
            bits=bits,
            packing=packing,
            components=len(DESCRIPTORS[descriptor]),
            big_endian=head[:4] == b"SDPX",
        )
    except ValueError as error:
        raise _foreign(f"{which} {error}") from error


def fitted(head: bytes, size: int) -> tuple[Element, ...]:
    """The image elements of a file of ``size`` bytes, their rows where the file has room for them.

    Raises:
        TornFrameError: The header is cut or garbled, or the file is shorter than it states.
        CannotCarryError: An element is of a kind whose samples are not carried.
    """
    elements = described(head)
    declared = value(head, "file_size")
    starts = sorted(element.offset for element in elements)
    ends = dict(zip(starts, [*starts[1:], size], strict=True))
    if len(ends) < len(elements):
        raise _garbled("two of its image elements begin at the same byte")
    placed = tuple(_fit(element, ends[element.offset], declared) for element in elements)
    if declared is not None and size < declared <= size + TAIL_BYTES:
        raise _cut(f"it holds {size} bytes of {declared}")
    return placed


def _fit(element: Element, limit: int, declared: int | None) -> Element:
    """The element with its rows in the room up to ``limit``."""
    room = limit - element.offset - element.image_padding
    broken_end = element.end + element.image_padding
    if element.unbroken * element.height == room and broken_end != declared:
        return replace(element, line_bytes=element.unbroken)
    need = element.line_bytes * element.height
    if need <= room:
        return element
    shared = element.packing.row_bytes(element.samples * element.height)
    if element.packing.word == 32 and not element.line_padding and shared == room:
        raise _foreign(f"image element {element.index} with rows that share 32-bit words")
    raise _cut(
        f"{max(room, 0)} bytes are there for a {element.width} x {element.height} image of "
        f"{element.packing.bits} bits that needs {need}"
    )

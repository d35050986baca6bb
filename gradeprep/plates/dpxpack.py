"""Code values of a DPX image in and out of their words (SMPTE ST 268, image element data).

Every packing is described the same way: samples form groups, a group fills whole words of 8, 16
or 32 bits, and each sample of a group has its place in it:

* 8 and 16 bit: one sample a word.
* 12 bit filled: one sample in a 16-bit word; four spare bits below it (method A) or above (B).
* 10 bit filled: three samples in a 32-bit word; two spare bits below (A) or above (B). The first
  sample is the topmost, but in images of one component it is the lowest.
* 10 and 12 bit packed: samples run on across 32-bit words, lowest bits first, so that 16 samples
  fill five words and 8 samples fill three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["FILLED_A", "FILLED_B", "PACKED", "Packing", "packing_of"]

PACKED, FILLED_A, FILLED_B = 0, 1, 2
"""Codes of the packing field."""

_Words = npt.NDArray[np.unsignedinteger[Any]]
_Planes = Sequence[npt.NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Packing:
    """How the samples of a row lie in words.

    Attributes:
        bits: Depth of a sample: 8, 10, 12 or 16.
        word: Bits of a word: 8, 16 or 32.
        places: Lowest bit of each sample of a group, counted from the lowest bit of the group's
            first word.
        big_endian: Byte order of the words.
    """

    bits: int
    word: int
    places: tuple[int, ...]
    big_endian: bool

    @property
    def sample_type(self) -> np.dtype[Any]:
        """Type of a code value: uint8 for 8 bit, else uint16."""
        return np.dtype(np.uint8 if self.bits == 8 else np.uint16)

    @property
    def _stored(self) -> np.dtype[Any]:
        return np.dtype(f"{'>' if self.big_endian else '<'}u{self.word // 8}")

    @property
    def _whole(self) -> bool:
        """Whether a sample fills a word with no bit to spare."""
        return self.bits == self.word

    def _words(self, samples: int) -> int:
        """Words that so many samples of one row take, the last of them perhaps in part."""
        groups, rest = divmod(samples, len(self.places))
        last = max((place + self.bits for place in self.places[:rest]), default=0)
        return groups * self._group + -(-last // self.word)

    @property
    def _group(self) -> int:
        return -(-(max(self.places) + self.bits) // self.word)

    def row_bytes(self, samples: int) -> int:
        """Bytes that a row of so many samples takes before padding at its end."""
        return self._words(samples) * self.word // 8

    def unpack_planes(self, rows: npt.NDArray[np.uint8], planes: _Planes) -> None:
        """Code values of packed rows, a plane for each sample of a pixel.

        Args:
            rows: n x ``row_bytes(samples)`` bytes, contiguous within a row.
            planes: n x width arrays of ``sample_type``, as many as a pixel has samples, filled.
        """
        lanes = self._lanes(len(planes))
        if lanes is None:
            count, width = planes[0].shape
            codes = np.empty((count, width * len(planes)), self.sample_type)
            self.unpack(rows, codes)
            for index, plane in enumerate(planes):
                plane[...] = codes[:, index :: len(planes)]
            return
        words = np.ascontiguousarray(rows.view(self._stored), self._stored.newbyteorder("="))
        for plane, (lane, shift) in zip(planes, lanes, strict=True):
            if self._whole:
                plane[...] = words[:, lane]
                continue
            plane[...] = words[:, lane] >> shift
            if shift + self.bits < self.word:  # what is above goes last: planes are the narrower
                plane &= plane.dtype.type((1 << self.bits) - 1)

    def pack_planes(self, planes: _Planes, rows: npt.NDArray[np.uint8]) -> None:
        """Packed rows of code values; spare bits become zero.

        Args:
            planes: n x width arrays of ``sample_type``, one for each sample of a pixel, no value
                over the depth.
            rows: n x ``row_bytes(samples)`` bytes, contiguous within a row, that are filled.
        """
        lanes = self._lanes(len(planes))
        if lanes is None:
            count, width = planes[0].shape
            self.pack(np.stack(planes, axis=-1).reshape(count, width * len(planes)), rows)
            return
        stored = rows.view(self._stored)
        if len({lane.start for lane, _ in lanes}) == len(lanes):
            for plane, (lane, shift) in zip(planes, lanes, strict=True):
                stored[:, lane] = plane << shift
            return
        native = self._stored.newbyteorder("=")
        words, code = np.empty(stored.shape, native), np.empty(stored.shape, native)
        for index, (plane, (_, shift)) in enumerate(zip(planes, lanes, strict=True)):
            place = code if index else words
            place[...] = plane  # widened by itself: a shift that widens goes through small buffers
            place <<= shift
            if index:
                words |= code
        stored[...] = words

    def _lanes(self, components: int) -> list[tuple[slice, int]] | None:
        """Words of a row that hold each sample of a pixel, and its lowest bit in them.

        None where pixels do not begin at words.
        """
        if len(self.places) == 1:
            return [(slice(index, None, components), self.places[0]) for index in range(components)]
        if len(self.places) == components and self._group == 1:
            return [(slice(0, None), place) for place in self.places]
        return None

    def unpack(self, rows: npt.NDArray[np.uint8], out: npt.NDArray[Any]) -> None:
        """Code values of packed rows.

        Args:
            rows: n x ``row_bytes(samples)`` bytes, contiguous within a row.
            out: n x samples array of ``sample_type``, contiguous, that is filled.
        """
        words = rows.view(self._stored)
        count, samples = out.shape
        groups = -(-samples // len(self.places))
        grouped = _padded(words, groups * self._group).reshape(count, groups, self._group)
        shape = (count, groups, len(self.places))
        exact = groups * len(self.places) == samples
        codes = out.reshape(shape) if exact else np.empty(shape, self.sample_type)
        self._take(grouped, codes)
        if not exact:
            out[...] = codes.reshape(count, -1)[:, :samples]

    def _take(self, words: _Words, codes: npt.NDArray[Any]) -> None:
        for index, place in enumerate(self.places):
            first, shift = divmod(place, self.word)
            code = words[:, :, first] >> shift
            if shift + self.bits > self.word:
                code |= words[:, :, first + 1] << (self.word - shift)
            codes[:, :, index] = code
        codes &= codes.dtype.type((1 << self.bits) - 1)

    def pack(self, samples: npt.NDArray[Any], rows: npt.NDArray[np.uint8]) -> None:
        """Packed rows of code values; spare bits become zero.

        Args:
            samples: n x samples array of ``sample_type``, contiguous, no value over the depth.
            rows: n x ``row_bytes(samples)`` bytes, contiguous within a row, that are filled.
        """
        words = rows.view(self._stored)
        count, width = samples.shape
        groups = -(-width // len(self.places))
        codes = _padded(samples, groups * len(self.places)).reshape(count, groups, -1)
        grouped = self._put(codes)
        words[...] = grouped.reshape(count, -1)[:, : words.shape[1]]

    def _put(self, codes: npt.NDArray[Any]) -> _Words:
        native = self._stored.newbyteorder("=")
        words = np.zeros((*codes.shape[:2], self._group), native)
        for index, place in enumerate(self.places):
            first, shift = divmod(place, self.word)
            code = codes[:, :, index].astype(native)
            words[:, :, first] |= code << shift
            if shift + self.bits > self.word:
                words[:, :, first + 1] |= code >> (self.word - shift)
        return words

    def spare_bits(self, samples: int) -> npt.NDArray[np.uint8]:
        """Mask of one row: set where a bit holds no part of any code value."""
        rows = np.zeros((1, self.row_bytes(samples)), np.uint8)
        self.pack(np.full((1, samples), (1 << self.bits) - 1, self.sample_type), rows)
        spare: npt.NDArray[np.uint8] = ~rows[0]
        return spare


def _padded(array: npt.NDArray[Any], width: int) -> npt.NDArray[Any]:
    """Rows lengthened with zeros to ``width`` items, in native byte order."""
    native = array.dtype.newbyteorder("=")
    if array.shape[1] == width:
        return np.ascontiguousarray(array, native)
    wide = np.zeros((array.shape[0], width), native)
    wide[:, : array.shape[1]] = array
    return wide


def packing_of(*, bits: int, packing: int, components: int, big_endian: bool) -> Packing:
    """The packing that the fields of an image element describe.

    Args:
        bits: 8, 10, 12 or 16.
        packing: Code of the packing field; unused where samples fill their words.
        components: Samples of a pixel.
        big_endian: Byte order of the file.

    Raises:
        ValueError: A depth or a packing that is none of these.
    """
    if bits not in (8, 10, 12, 16):
        raise ValueError(f"a depth of {bits} bits (8, 10, 12 and 16 are known)")
    if packing not in (PACKED, FILLED_A, FILLED_B):
        raise ValueError(f"packing {packing} (0, 1 and 2 are known)")
    word, places = _places(bits, packing, components)
    return Packing(bits=bits, word=word, places=places, big_endian=big_endian)


def _places(bits: int, packing: int, components: int) -> tuple[int, tuple[int, ...]]:
    if bits in (8, 16):
        return bits, (0,)
    if packing == PACKED:
        return 32, tuple(range(0, bits * (16 if bits == 10 else 8), bits))
    if bits == 12:
        return 16, (4 if packing == FILLED_A else 0,)
    lowest_first = tuple(place + (2 if packing == FILLED_A else 0) for place in (0, 10, 20))
    return 32, lowest_first if components == 1 else lowest_first[::-1]

"""Records of many frames in little room."""

from __future__ import annotations

import struct
import tempfile
import weakref
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from contextlib import suppress
from io import FileIO
from typing import overload

from gradeprep.model.framerange import FrameRange
from gradeprep.model.shot import FrameEntry

__all__ = ["Records"]

_SLOT = struct.Struct("<QQ")
"""Where a record's text begins and how long it is; zeros where there is none yet."""


class Records(Sequence[FrameEntry]):
    """Entries of frames that are done, by number; the later of two of one frame.

    They lie as JSON in a temporary file that has no name and ends with the process, so that a
    shot of ten thousand frames takes no more memory than a short one: first a slot for each frame
    that may come, then the texts. A record that finds no room there stays in memory: no frame may
    be done in vain.

    Args:
        frames: All frames that may come.
    """

    def __init__(self, frames: FrameRange) -> None:
        self._may_come = frames
        self._file = _file(self)
        self._end = _SLOT.size * len(frames)
        self._homeless: dict[int, bytes] = {}

    def add(self, entry: FrameEntry) -> None:
        """Keep an entry.

        Raises:
            KeyError: Its frame is none that may come.
        """
        if entry.number not in self._may_come:
            raise KeyError(entry.number)
        text = entry.model_dump_json().encode("utf-8")
        if self._put(entry.number, text):
            self._homeless.pop(entry.number, None)
        else:
            self._homeless[entry.number] = text

    def _put(self, number: int, text: bytes) -> bool:
        """Whether there was room for both, the text and where it stands."""
        slot = _SLOT.pack(self._end, len(text))
        if not (self._written(self._end, text) and self._written(self._slot(number), slot)):
            return False
        self._end += len(text)
        return True

    def _written(self, at: int, data: bytes) -> bool:
        if self._file is None:
            return False
        with suppress(OSError):
            self._file.seek(at)
            return self._file.write(data) == len(data)
        return False

    @property
    def numbers(self) -> FrameRange:
        """Numbers of the frames that came."""
        return FrameRange.of(number for number in self._may_come if self._there(number))

    def __bool__(self) -> bool:
        return any(map(self._there, self._may_come))

    def __len__(self) -> int:
        return len(self.numbers)

    @overload
    def __getitem__(self, place: int) -> FrameEntry: ...

    @overload
    def __getitem__(self, place: slice) -> tuple[FrameEntry, ...]: ...

    def __getitem__(self, place: int | slice) -> FrameEntry | tuple[FrameEntry, ...]:
        numbers = self.numbers.numbers[place]
        if isinstance(numbers, int):
            return FrameEntry.model_validate_json(self._text(numbers))
        return tuple(FrameEntry.model_validate_json(self._text(number)) for number in numbers)

    def __iter__(self) -> Iterator[FrameEntry]:
        """The entries by number, one made at a time."""
        for number in self._may_come:
            text = self._text(number)
            if text:
                yield FrameEntry.model_validate_json(text)

    def _there(self, number: int) -> bool:
        return number in self._homeless or self._place(number)[1] > 0

    def _text(self, number: int) -> bytes:
        return self._homeless.get(number) or self._read(*self._place(number))

    def _place(self, number: int) -> tuple[int, int]:
        """Start and length of a record's text; no length where none came."""
        slot = self._read(self._slot(number), _SLOT.size)
        return _SLOT.unpack(slot) if len(slot) == _SLOT.size else (0, 0)

    def _slot(self, number: int) -> int:
        return _SLOT.size * bisect_left(self._may_come.numbers, number)

    def _read(self, at: int, length: int) -> bytes:
        if self._file is None or not length:
            return b""
        self._file.seek(at)
        return self._file.read(length)


def _file(owner: object) -> FileIO | None:
    """A file that ends with its owner; None where none can be made."""
    with suppress(OSError):
        file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115  # closed with its owner
        weakref.finalize(owner, file.close)
        return file
    return None

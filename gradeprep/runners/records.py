"""Records of many frames in little room."""

from __future__ import annotations

import tempfile
import weakref
from array import array
from collections.abc import Iterable, Iterator
from contextlib import suppress
from heapq import merge
from io import FileIO
from itertools import groupby
from operator import itemgetter

import numpy as np

from gradeprep.model.record import FrameRecord

__all__ = ["Records"]


class Records:
    """Frame records by number, the later of two of one frame.

    They lie as JSON in a temporary file that has no name and ends with the process, so that a
    shot of ten thousand frames takes no more memory than a short one. A record that finds no room
    there stays in memory: no frame may be done in vain.
    """

    def __init__(self, records: Iterable[FrameRecord] = ()) -> None:
        self._file = _file(self)
        self._numbers = array("q")
        self._ends = array("q", [0])
        self._homeless: dict[int, bytes] = {}
        for record in records:
            self.add(record)

    def add(self, record: FrameRecord) -> None:
        """Keep a record."""
        text = record.model_dump_json().encode("utf-8")
        if not self._put(text):
            self._homeless[record.number] = text
            return
        self._homeless.pop(record.number, None)
        self._numbers.append(record.number)
        self._ends.append(self._ends[-1] + len(text))

    def _put(self, text: bytes) -> bool:
        if self._file is None:
            return False
        with suppress(OSError):
            self._file.seek(self._ends[-1])
            return self._file.write(text) == len(text)
        return False

    def __bool__(self) -> bool:
        return bool(self._numbers or self._homeless)

    def __iter__(self) -> Iterator[FrameRecord]:
        """The records by number, one made at a time."""
        places = np.argsort(np.array(self._numbers), kind="stable")  # a list takes ten times that
        latest = (list(same)[-1] for _, same in groupby(places, self._numbers.__getitem__))
        on_disk = ((self._numbers[place], place) for place in latest)
        elsewhere = ((number, None) for number in sorted(self._homeless))
        for number, place in merge(on_disk, elsewhere, key=itemgetter(0)):
            if place is None or number not in self._homeless:
                yield FrameRecord.model_validate_json(self._text(number, place))

    def _text(self, number: int, place: int | None) -> bytes:
        if place is None or self._file is None:
            return self._homeless[number]
        start, end = self._ends[place : place + 2]
        self._file.seek(start)
        return self._file.read(end - start)


def _file(owner: object) -> FileIO | None:
    """A file that ends with its owner; None where none can be made."""
    with suppress(OSError):
        file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115  # closed with its owner
        weakref.finalize(owner, file.close)
        return file
    return None

"""Records of many frames in little room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gradeprep.model.record import FrameRecord

__all__ = ["Records"]


class Records:
    """Frame records by number, the later of two of one frame; each kept as its JSON.

    That is a fifth of what the model takes, which counts where a shot has ten thousand frames.
    """

    def __init__(self, records: Iterable[FrameRecord] = ()) -> None:
        self._texts: dict[int, bytes] = {}
        for record in records:
            self.add(record)

    def add(self, record: FrameRecord) -> None:
        """Keep a record."""
        self._texts[record.number] = record.model_dump_json().encode("utf-8")

    def __len__(self) -> int:
        return len(self._texts)

    def __iter__(self) -> Iterator[FrameRecord]:
        """The records by number, one made at a time."""
        for number in sorted(self._texts):
            yield FrameRecord.model_validate_json(self._texts[number])

    def drained(self) -> Iterator[FrameRecord]:
        """The same, each let go as it is taken."""
        for number in sorted(self._texts):
            yield FrameRecord.model_validate_json(self._texts.pop(number))

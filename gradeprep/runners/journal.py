"""The journal: each frame's record, kept the moment the frame is done.

A run that is killed leaves ``.<shot>.stops.journal`` beside the plates, one JSON line a frame. A
later ``--resume`` reads it together with the sidecar; a run that ends removes it. A line that
finds no room costs that frame's work once more and nothing else, so it is no error.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from io import TextIOWrapper
from pathlib import Path
from types import TracebackType

from pydantic import ValidationError

from gradeprep import sidecar
from gradeprep.errors import SidecarError
from gradeprep.model.record import FrameRecord, ShotRecord
from gradeprep.plates import atomic
from gradeprep.plates.regular import check_regular, content

__all__ = ["Journal", "known_records", "still_right"]


_MAX_BYTES = 2**30


class Journal:
    """Appends records; each line reaches the operating system before the next frame's does."""

    def __init__(self, folder: Path, shot: str, digest: str) -> None:
        self.path = folder / f".{shot}.stops.journal"
        self.digest = digest
        self._known = self._read()
        self._file: TextIOWrapper | None = None

    def _read(self) -> tuple[FrameRecord, ...]:
        if self.path.is_symlink():  # we make none
            return ()
        try:
            lines = content(self.path, _MAX_BYTES).decode("utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            return ()
        found = []
        for line in lines:
            try:
                entry = json.loads(line)
                if entry["digest"] == self.digest:
                    found.append(FrameRecord.model_validate(entry["record"]))
            except (ValueError, KeyError, TypeError, ValidationError):
                continue  # the line that was being written when the run was killed
        return tuple(found)

    @property
    def records(self) -> tuple[FrameRecord, ...]:
        """Records that a run before this one left, of the same decision."""
        return self._known

    def __enter__(self) -> Journal:
        with suppress(OSError):
            self._file = os.fdopen(self._handle(), "a", encoding="utf-8")
        return self

    def _handle(self) -> int:
        """The open file; a link is not followed, for it could lead to a plate."""
        if os.path.lexists(self.path):
            check_regular(self.path)
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
        return os.open(self.path, flags, 0o666)

    def add(self, record: FrameRecord) -> None:
        """Keep a record."""
        if self._file is None:
            return
        entry = {"digest": self.digest, "record": record.model_dump(mode="json")}
        with suppress(OSError):
            self._file.write(json.dumps(entry) + "\n")
            self._file.flush()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._file is not None:
            with suppress(OSError):
                self._file.close()

    def remove(self) -> None:
        """Forget the journal; the sidecar tells all now."""
        with suppress(OSError):
            self.path.unlink()


def known_records(path: Path, digest: str) -> tuple[ShotRecord | None, tuple[FrameRecord, ...]]:
    """The sidecar that stands there, if it can be read, and its records of one decision."""
    try:
        record = sidecar.load(path)
    except SidecarError:
        return None, ()
    return record, record.frames if record.digest == digest else ()


def still_right(record: FrameRecord, source: Path, result: Path) -> bool:
    """Whether a record's source and result are byte for byte what they were."""
    try:
        return (
            record.result.bytes == result.stat().st_size
            and record.source.bytes == source.stat().st_size
            and record.result.hash == atomic.digest(result)
            and record.source.hash == atomic.digest(source)
        )
    except OSError:
        return False

"""The journal: each frame's entry, kept the moment the frame is done.

A run that is killed leaves ``.<shot>.stops.journal`` beside the plates, one JSON line a frame. A
later ``--resume`` reads it together with the sidecar; a run that ends removes it. A line that
finds no room costs that frame's work once more and nothing else, so it is no error.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from io import TextIOWrapper
from pathlib import Path
from types import TracebackType

from pydantic import ValidationError

from gradeprep import sidecar
from gradeprep.errors import SidecarError
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
from gradeprep.plates import atomic
from gradeprep.plates.regular import check_regular, content

__all__ = ["Journal", "kept_frames", "known_frames", "still_right"]

_MAX_BYTES = 2**30


class Journal:
    """Appends records; each line reaches the operating system before the next frame's does."""

    def __init__(self, folder: Path, shot: str, digest: str) -> None:
        self.path = folder / f".{shot}.stops.journal"
        self.digest = digest
        self._known = self._read()
        self._file: TextIOWrapper | None = None

    def _read(self) -> tuple[FrameEntry, ...]:
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
                    found.append(FrameEntry.model_validate(entry["frame"]))
            except (ValueError, KeyError, TypeError, ValidationError):
                continue  # the line that was being written when the run was killed
        return tuple(found)

    @property
    def frames(self) -> tuple[FrameEntry, ...]:
        """Frames that a run before this one left, of the same decision, filed."""
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

    def add(self, frame: FrameEntry) -> None:
        """Keep a frame that is done, filed."""
        if self._file is None:
            return
        entry = {"digest": self.digest, "frame": frame.model_dump(mode="json")}
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
        """Forget the journal; the sidecar has it all now."""
        with suppress(OSError):
            self.path.unlink()


def known_frames(path: Path, digest: str) -> tuple[ShotDocument | None, tuple[FrameEntry, ...]]:
    """The sidecar that stands there, filed, if it can be read, and its frames of one decision."""
    try:
        document = sidecar.load_filed(path)
    except SidecarError:
        return None, ()
    return document, tuple(document.frames) if document.digest == digest else ()


def kept_frames(document: ShotDocument, known: Iterable[FrameEntry]) -> tuple[FrameEntry, ...]:
    """Frames that need not be done again, as the sidecar or a journal has them.

    A frame is kept where its record says exactly what is ordered now, and both its files are byte
    for byte what the record says.

    Args:
        document: What is ordered.
        known: Entries that earlier runs of this decision left, filed.
    """
    by_number = {entry.number: entry for entry in known}
    kept = []
    for entry, ordered in zip(document.frames, sidecar.filed(document).frames, strict=True):
        found = by_number.get(entry.number)
        if found is None or found.done is None or found.order != ordered:
            continue
        if still_right(found.done, Path(entry.source), Path(entry.result)):
            kept.append(found)
    return tuple(kept)


def still_right(done: FrameResult, source: Path, result: Path) -> bool:
    """Whether a frame's source and result are byte for byte what they were."""
    try:
        return (
            done.result.bytes == result.stat().st_size
            and done.source.bytes == source.stat().st_size
            and done.result.hash == atomic.digest(result)
            and done.source.hash == atomic.digest(source)
        )
    except OSError:
        return False

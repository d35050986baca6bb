"""The audit: whether each frame is still what the sidecar says, and follows from its source."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gradeprep.errors import GradeprepError
from gradeprep.model.frame import Frame
from gradeprep.model.record import FileMark
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.flow import compute
from gradeprep.plates import atomic, files

__all__ = ["Verdict", "audit_frame"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the audit found of one frame.

    Attributes:
        number: Frame number.
        problems: What differs from the sidecar; none where nothing does.
    """

    number: int
    problems: tuple[str, ...] = ()


def audit_frame(document: ShotDocument, entry: FrameEntry) -> Verdict:
    """Compare a frame's files with the sidecar, and recompute the result from the source.

    Args:
        document: What the sidecar says of the shot.
        entry: What it says of the frame, done.
    """
    source, result = Path(entry.source), Path(entry.result)
    problems = [
        *_changed("source", entry.finished.source, source),
        *_changed("result", entry.finished.result, result),
    ]
    if not source.is_file() or not result.is_file():
        return Verdict(entry.number, tuple(problems))
    try:
        problems.extend(_recomputed(document, entry))
    except GradeprepError as error:
        problems.append(f"cannot be recomputed: {error}")
    return Verdict(entry.number, tuple(problems))


def _changed(word: str, mark: FileMark, path: Path) -> list[str]:
    try:
        if path.stat().st_size != mark.bytes or atomic.digest(path) != mark.hash:
            return [f"the {word} {path} is not the file that was recorded"]
    except FileNotFoundError:
        return [f"the {word} {path} is missing"]
    except OSError as error:
        return [f"the {word} {path} cannot be read: {error.strerror}"]
    return []


def _recomputed(document: ShotDocument, entry: FrameEntry) -> list[str]:
    """Recompute the result from the source and compare: the whole file first, then its parts."""
    done, there = compute(document, entry, files.read(Path(entry.source))), Path(entry.result)
    with tempfile.TemporaryDirectory() as folder:
        again = Path(folder) / there.name
        files.write(done.frame, again)
        if atomic.digest(again) == atomic.digest(there):
            return []
        return _difference(files.read(again), files.read(there))


def _difference(again: Frame, there: Frame) -> list[str]:
    if len(again.parts) != len(there.parts):
        return [f"the result has {len(there.parts)} parts, it should have {len(again.parts)}"]
    problems = []
    for mine, theirs in zip(again.parts, there.parts, strict=True):
        if list(mine.channels) != list(theirs.channels):
            problems.append("the result's channels are not those of the decision")
            continue
        for name, plane in mine.channels.items():
            other = theirs.channels[name]
            if plane.dtype != other.dtype or plane.shape != other.shape:
                problems.append(f"channel {name} is of another type or size")
            elif plane.tobytes() != other.tobytes():
                wrong = int(np.count_nonzero(plane != other))
                problems.append(f"channel {name} differs from the decision in {wrong} samples")
    return problems or ["pixels match; header or encoding differs"]

"""The audit: whether each frame is still what the sidecar says, and follows from its source."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gradeprep.errors import GradeprepError
from gradeprep.model.frame import Frame
from gradeprep.model.record import FileRecord, FrameRecord, ShotRecord
from gradeprep.model.task import FrameOrder, Task
from gradeprep.pipeline.flow import compute
from gradeprep.plates import atomic, files

__all__ = ["Verdict", "audit_frame", "expected"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the audit found of one frame.

    Attributes:
        number: Frame number.
        problems: What is not as the sidecar says; none where all is.
    """

    number: int
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Audit:
    """Audits one frame; a value that a worker process can be handed."""

    records: dict[int, FrameRecord]

    def __call__(self, task: Task, order: FrameOrder) -> Verdict:
        return audit_frame(self.records[order.number], task, order)


def expected(record: ShotRecord) -> _Audit:
    """The work that audits a sidecar's frames, one at a time."""
    return _Audit({frame.number: frame for frame in record.frames})


def audit_frame(record: FrameRecord, task: Task, order: FrameOrder) -> Verdict:
    """Compare a frame's files with their record, and make the result anew from the source.

    Args:
        record: What the sidecar says of the frame.
        task: What the sidecar orders.
        order: The frame's order.
    """
    problems = [
        *_changed("source", record.source, Path(order.source)),
        *_changed("result", record.result, Path(order.result)),
    ]
    if not Path(order.source).is_file() or not Path(order.result).is_file():
        return Verdict(order.number, tuple(problems))
    try:
        problems.extend(_made_anew(record, task, order))
    except GradeprepError as error:
        problems.append(f"cannot be made anew: {error}")
    return Verdict(order.number, tuple(problems))


def _changed(word: str, record: FileRecord, path: Path) -> list[str]:
    try:
        if path.stat().st_size != record.bytes or atomic.digest(path) != record.hash:
            return [f"the {word} {path} is not the file that was recorded"]
    except FileNotFoundError:
        return [f"the {word} {path} is missing"]
    except OSError as error:
        return [f"the {word} {path} cannot be read: {error.strerror}"]
    return []


def _made_anew(record: FrameRecord, task: Task, order: FrameOrder) -> list[str]:
    """Make the result from the source and compare: whole file first, then what differs in it."""
    done = compute(task, order, files.read(Path(order.source)))
    with tempfile.TemporaryDirectory() as folder:
        anew = Path(folder) / Path(order.result).name
        files.write(done.frame, anew)
        if atomic.digest(anew) == atomic.digest(Path(order.result)):
            return []
        return _difference(files.read(anew), files.read(Path(order.result)))


def _difference(anew: Frame, there: Frame) -> list[str]:
    if len(anew.parts) != len(there.parts):
        return [f"the result has {len(there.parts)} parts, it should have {len(anew.parts)}"]
    problems = []
    for mine, theirs in zip(anew.parts, there.parts, strict=True):
        if list(mine.channels) != list(theirs.channels):
            problems.append("the result's channels are not those of the order")
            continue
        for name, plane in mine.channels.items():
            other = theirs.channels[name]
            if plane.dtype != other.dtype or plane.shape != other.shape:
                problems.append(f"channel {name} is of another type or size")
            elif plane.tobytes() != other.tobytes():
                wrong = int(np.count_nonzero(plane != other))
                problems.append(f"channel {name} differs from the order in {wrong} samples")
    return problems or ["the pixels are as ordered, the header or the coding is not"]

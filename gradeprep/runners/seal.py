"""The sidecar of a shot from the records of its frames, however many processes made those."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from gradeprep import sidecar
from gradeprep._version import __version__
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding, FrameRecord, ShotRecord
from gradeprep.pipeline.planned import ShotPlan
from gradeprep.runners.one import Failed
from gradeprep.runners.records import Records

__all__ = ["Sealed", "absolute", "others_known", "relative", "blank_records", "seal"]


@dataclass(frozen=True, slots=True)
class Sealed:
    """The content of a sidecar that was written.

    Attributes:
        head: All of it but the frames.
        frames: The frames, files told relative to the sidecar's folder.
    """

    head: ShotRecord
    frames: Records

    @property
    def record(self) -> ShotRecord:
        """The whole content; of ten thousand frames it takes some 30 MB."""
        return self.head.model_copy(update={"frames": tuple(self.frames)})


def others_known(shot: ShotPlan, known: tuple[FrameRecord, ...]) -> tuple[FrameRecord, ...]:
    """Records of frames that this plan does not order; the sidecar keeps them."""
    own = {order.number for order in shot.task.frames} if known else set()
    return tuple(record for record in known if record.number not in own)


def blank_records(shot: ShotPlan, others: tuple[FrameRecord, ...]) -> Records:
    """Records of frames that were not ordered now, with a blank for each that is."""
    ordered = FrameRange.of(order.number for order in shot.task.frames)
    kept = FrameRange.of(record.number for record in others)
    frames = Records(ordered | kept if kept else ordered)
    for record in others:
        frames.add(record)
    return frames


def seal(shot: ShotPlan, path: Path, frames: Records, failed: tuple[Failed, ...]) -> Sealed | None:
    """Write the sidecar of all frames that stand there, or none where none does.

    Args:
        shot: What was decided.
        path: Where the sidecar stands.
        frames: Records of the frames, files told relative to the sidecar's folder.
        failed: Frames that failed; the sidecar tells why.

    Raises:
        WriteError: It could not be written.
    """
    if not frames:
        return None
    task, first = shot.task, shot.task.frames[0]
    losses = tuple(
        Finding(severity="fail", what=frame.error, frame=frame.number) for frame in failed
    )
    told = str(frames.frames)
    head = ShotRecord(
        tool=f"gradeprep {__version__}",
        shot=task.shot,
        digest=task.digest,
        source=shot.source.model_copy(
            update={
                "pattern": sidecar.relative(shot.source.pattern, shot.folder),
                "frames": told,
            }
        ),
        result=shot.result.model_copy(
            update={
                "pattern": sidecar.relative(shot.result.pattern, shot.folder),
                "frames": told,
            }
        ),
        colour=task.colour,
        stages=first.stages,
        layers=task.layers,
        nonfinite=task.nonfinite,
        output=task.output,
        again=first.history,
        reading=shot.readings,
        findings=(*shot.findings, *_losses(frames), *losses),
        reversible=shot.reversible,
        arithmetic=task.arithmetic,
        carried=shot.carried,
        frames=(),
        dated={"written": datetime.now(UTC).isoformat(timespec="seconds")},
    )
    sidecar.save(head, path, frames)
    return Sealed(head, frames)


def _losses(frames: Iterable[FrameRecord]) -> list[Finding]:
    """Samples that left the result's type, told once a shot."""
    lost: dict[str, dict[int, int]] = {word: {} for word, _ in _LOSSES}
    for record in frames:
        for word, counts in lost.items():
            if count := getattr(record.counts, word):
                counts[record.number] = count
    found = []
    for word, remedy in _LOSSES:
        counts = lost[word]
        if counts:
            total = sum(counts.values())
            worst = max(counts, key=lambda number: counts[number])
            found.append(
                Finding(
                    severity="warn",
                    what=f"{word}: {total} samples in {len(counts)} frames",
                    frame=worst,
                    numbers={"samples": total, "in_worst_frame": counts[worst]},
                    remedy=remedy,
                )
            )
    return found


_LOSSES = (
    ("overflow", "write a larger type (output.type: float), or pull less"),
    ("nonfinite", "paint them out, or keep them knowingly"),
)


def relative(record: FrameRecord, folder: Path) -> FrameRecord:
    """The record with its files as a sidecar in the folder tells them."""
    return _moved(record, lambda told: sidecar.relative(told, folder))


def absolute(record: FrameRecord, folder: Path) -> FrameRecord:
    """The record of a sidecar in the folder with files that can be opened from anywhere."""
    return _moved(record, lambda told: str(sidecar.absolute(told, folder)))


def _moved(record: FrameRecord, move: Callable[[str], str]) -> FrameRecord:
    source, result = (
        file.model_copy(update={"file": move(file.file)}) for file in (record.source, record.result)
    )
    return record.model_copy(update={"source": source, "result": result})

"""The sidecar of a shot, from the entries of its frames, however many processes made those."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from gradeprep import sidecar
from gradeprep._version import __version__
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Finding
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.runners.outcome import Failed
from gradeprep.runners.records import Records

__all__ = ["blank_records", "others_known", "seal"]


def others_known(document: ShotDocument, known: tuple[FrameEntry, ...]) -> tuple[FrameEntry, ...]:
    """Entries of frames that this document does not order; the sidecar keeps them."""
    own = {entry.number for entry in document.frames} if known else set()
    return tuple(entry for entry in known if entry.number not in own)


def blank_records(document: ShotDocument, others: tuple[FrameEntry, ...]) -> Records:
    """Entries of frames that were not ordered now, with a blank for each that is."""
    ordered = FrameRange.of(entry.number for entry in document.frames)
    kept = FrameRange.of(entry.number for entry in others)
    frames = Records(ordered | kept if kept else ordered)
    for entry in others:
        frames.add(entry)
    return frames


def seal(
    document: ShotDocument, path: Path, frames: Records, failed: tuple[Failed, ...]
) -> ShotDocument | None:
    """Write the sidecar of all frames that are done, or none where none is.

    Args:
        document: What was decided.
        path: Where the sidecar stands.
        frames: The frames that are done, filed.
        failed: Frames that failed; the sidecar says why.

    Returns:
        The content of the sidecar; its frames stay on disk and are read when they are asked for.

    Raises:
        WriteError: It could not be written.
    """
    if not frames:
        return None
    losses = (Finding(severity="fail", what=frame.error, frame=frame.number) for frame in failed)
    done = {"frames": str(frames.numbers)}
    filed = sidecar.filed(document)
    sealed = filed.model_copy(
        update={
            "tool": f"gradeprep {__version__}",
            "source": filed.source.model_copy(update=done),
            "result": filed.result.model_copy(update=done),
            "findings": (*document.findings, *_losses(frames), *losses),
            "frames": frames,
            "dated": {"written": datetime.now(UTC).isoformat(timespec="seconds")},
        }
    )
    sidecar.save(sealed, path)
    return sealed


def _losses(frames: Iterable[FrameEntry]) -> list[Finding]:
    """Samples that left the result's type, reported once a shot."""
    lost: dict[str, dict[int, int]] = {word: {} for word in _REMEDIES}
    for entry in frames:
        counts = entry.finished.counts
        for word, count in (("overflow", counts.overflow), ("nonfinite", counts.nonfinite)):
            if count:
                lost[word][entry.number] = count
    found = []
    for word, by_frame in lost.items():
        if by_frame:
            total = sum(by_frame.values())
            worst = max(by_frame, key=lambda number: by_frame[number])
            found.append(
                Finding(
                    severity="warn",
                    what=f"{word}: {total} samples in {len(by_frame)} frames",
                    frame=worst,
                    numbers={"samples": total, "in_worst_frame": by_frame[worst]},
                    remedy=_REMEDIES[word],
                )
            )
    return found


_REMEDIES = {
    "overflow": "write a larger type (output.type: float), or pull less",
    "nonfinite": "paint them out, or keep them knowingly",
}

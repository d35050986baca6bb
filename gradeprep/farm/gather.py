"""From the records of all chunks to a shot's sidecar: every frame proved first, or named."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from gradeprep import sidecar
from gradeprep.farm import handshake, part
from gradeprep.farm.bundle import Bundle
from gradeprep.farm.places import Places, placed, refuse_merged
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import FileMark
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
from gradeprep.plates import atomic
from gradeprep.runners import share
from gradeprep.runners.claim import claimed
from gradeprep.runners.journal import Journal, known_frames
from gradeprep.runners.outcome import Failed
from gradeprep.runners.seal import blank_records, others_known, seal

__all__ = ["Gathered", "gather"]


@dataclass(frozen=True, slots=True)
class Gathered:
    """What was found of a shot.

    Attributes:
        record: What the sidecar says; None where none was written.
        sidecar: Where it stands.
        frames: Frames that are as their records say.
        missing: Frames that nobody has made.
        wrong: Frames that are not what their records say.
    """

    record: ShotDocument | None
    sidecar: Path | None
    frames: FrameRange
    missing: FrameRange
    wrong: FrameRange

    @property
    def complete(self) -> bool:
        """Whether all frames of the shot are there and right."""
        return not self.missing and not self.wrong


def gather(bundle: Bundle, name: str, *, places: Places, partial: bool, jobs: int) -> Gathered:
    """Prove the frames of a shot against the records of its chunks, and write its sidecar.

    The sidecar is written where all frames are right, or of those that are with ``partial``. Once
    it has all, the parts beside the plates are removed.

    Args:
        bundle: The bundle.
        name: Name of the shot.
        places: Where the bundle's folders are on this machine.
        partial: Whether a sidecar of some of the frames is wanted.
        jobs: Frames that are read at once.

    Raises:
        RequestError: The bundle has no such shot, or the recipe asks something else by now.
        OutputRefusedError: Somebody else is at this shot.
        WriteError: The sidecar could not be written.
    """
    handshake.refuse_changed_recipe(bundle.manifest, (name,), places)
    refuse_merged(bundle.manifest, places)
    bundled = bundle.shot(name)
    document = placed(bundled, places)
    folder, order = Path(document.folder), bundle.manifest.shots[name].sha256
    with claimed(document, order=order):
        parts = part.beside(folder, name, order)
        path = sidecar.path_for(folder, name)
        known = known_frames(path, document.digest)[1]
        found = (
            (sidecar.filed(document), known),
            *((bundled, entries) for entries in parts.values()),
        )
        right, wrong = _proved(document, found, jobs)
        done = FrameRange.of(right)
        missing = FrameRange.of(entry.number for entry in document.frames) - done - wrong
        if (missing or wrong) and not (partial and right):
            return Gathered(None, None, done, missing, wrong)
        frames = blank_records(document, others_known(document, known))
        for entry in right.values():
            frames.add(sidecar.filed_entry(entry, folder))
        sealed = seal(document, path, frames, _left(document, missing, wrong))
        if not missing and not wrong:
            part.remove(parts)
            share.sweep(folder, name, order=order)
            Journal(folder, name, document.digest).remove()
    return Gathered(sealed, path, done, missing, wrong)


def _proved(
    document: ShotDocument,
    found: Iterable[tuple[ShotDocument, Iterable[FrameEntry]]],
    jobs: int,
) -> tuple[dict[int, FrameEntry], FrameRange]:
    """The entry of each frame that the file on disk agrees with; frames that have none such.

    Two tries may have left two results of a frame; the one that is true is the one that counts.

    Args:
        document: What is ordered, with paths as they are here.
        found: Entries of earlier tries, each run of them with the document whose paths they have.
        jobs: Frames that are read at once.
    """
    candidates: dict[int, list[FrameResult]] = {}
    for ordered, entries in found:
        orders = {entry.number: entry for entry in ordered.frames} if entries else {}
        for entry in entries:
            if entry.order == orders.get(entry.number):
                candidates.setdefault(entry.number, []).insert(0, entry.finished)
    todo = [entry for entry in document.frames if entry.number in candidates]

    def prove(entry: FrameEntry) -> FrameEntry | None:
        return _true(entry, candidates[entry.number])

    with ThreadPoolExecutor(jobs) as pool:
        proved = list(pool.map(prove, todo))
    right = {entry.number: entry for entry in proved if entry is not None}
    return right, FrameRange.of(e.number for e in todo if e.number not in right)


def _true(entry: FrameEntry, results: list[FrameResult]) -> FrameEntry | None:
    """The entry with the result that describes the file that is there."""
    try:
        path = Path(entry.result)
        mark = FileMark(bytes=path.stat().st_size, hash=atomic.digest(path))
    except OSError:
        return None
    return next((entry.with_result(done) for done in results if done.result == mark), None)


def _left(document: ShotDocument, missing: FrameRange, wrong: FrameRange) -> tuple[Failed, ...]:
    """What a sidecar of some of the frames says of the others."""
    whys = dict.fromkeys(missing, "was not made yet") | dict.fromkeys(wrong, "is not as recorded")
    return tuple(
        Failed(number, f"{document.shot} frame {number}: {whys[number]}") for number in sorted(whys)
    )

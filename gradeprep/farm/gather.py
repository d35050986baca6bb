"""From the records of all chunks to a shot's sidecar: every frame proved first, or named."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from gradeprep import sidecar
from gradeprep.farm import alike, part
from gradeprep.farm.bundle import Bundle
from gradeprep.farm.freeze import plan_of
from gradeprep.farm.places import Places, placed, refuse_merged
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import FrameRecord, ShotRecord
from gradeprep.model.task import FrameOrder
from gradeprep.pipeline.planned import ShotPlan
from gradeprep.plates import atomic
from gradeprep.runners import share
from gradeprep.runners.claim import claimed
from gradeprep.runners.journal import Journal, known_records
from gradeprep.runners.one import Failed
from gradeprep.runners.seal import blank_records, others_known, relative, seal

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

    record: ShotRecord | None
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
    it tells all, the records beside the plates go.

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
    alike.refuse_changed_recipe(bundle.manifest, (name,), places)
    refuse_merged(bundle.manifest, places)
    shot = plan_of(placed(bundle.shot(name), places))
    order = bundle.manifest.shots[name].sha256
    with claimed(shot, order=order):
        parts = part.beside(shot.folder, name, order)
        path = sidecar.path_for(shot.folder, name)
        known = known_records(path, shot.task.digest)[1]
        right, wrong = _proved(shot, (_sealed(shot, known), *parts.values()), jobs)
        told = FrameRange.of(right)
        missing = FrameRange.of(frame.number for frame in shot.task.frames) - told - wrong
        if (missing or wrong) and not (partial and right):
            return Gathered(None, None, told, missing, wrong)
        frames = blank_records(shot, others_known(shot, known))
        for record in right.values():
            frames.add(relative(record, shot.folder))
        sealed = seal(shot, path, frames, _left(shot, missing, wrong))
        if not missing and not wrong:
            part.remove(parts)
            share.sweep(shot.folder, name, order=order)
            Journal(shot.folder, name, shot.task.digest).remove()
    return Gathered(sealed.record if sealed else None, path, told, missing, wrong)


def _sealed(shot: ShotPlan, known: Iterable[FrameRecord]) -> tuple[FrameRecord, ...]:
    """Records of an earlier sealing that are of this plate's own files."""
    orders = {order.number: order for order in shot.task.frames}

    def same(record: FrameRecord, order: FrameOrder) -> bool:
        files = (order.source, order.result)
        told = (record.source.file, record.result.file)
        return tuple(sidecar.relative(file, shot.folder) for file in files) == told

    return tuple(r for r in known if r.number in orders and same(r, orders[r.number]))


def _proved(
    shot: ShotPlan, runs: Iterable[Iterable[FrameRecord]], jobs: int
) -> tuple[dict[int, FrameRecord], FrameRange]:
    """The record of each frame that the file on disk agrees with; frames that have none such.

    Two tries may have left two records of a frame; the one that is true is the one that counts.
    """
    candidates: dict[int, list[FrameRecord]] = {}
    for run in runs:
        for record in run:
            candidates.setdefault(record.number, []).insert(0, record)
    todo = [order for order in shot.task.frames if order.number in candidates]

    def prove(order: FrameOrder) -> FrameRecord | None:
        return _true(order, candidates[order.number])

    with ThreadPoolExecutor(jobs) as pool:
        found = list(pool.map(prove, todo))
    pairs = zip(todo, found, strict=True)
    right = {order.number: record for order, record in pairs if record is not None}
    return right, FrameRange.of(o.number for o in todo if o.number not in right)


def _true(order: FrameOrder, records: list[FrameRecord]) -> FrameRecord | None:
    """The record that tells of the file that is there, with its files as they are here."""
    try:
        path = Path(order.result)
        size = path.stat().st_size
        hash = atomic.digest(path)
    except OSError:
        return None
    for record in records:
        if (record.result.bytes, record.result.hash) == (size, hash):
            source = record.source.model_copy(update={"file": order.source})
            result = record.result.model_copy(update={"file": order.result})
            return record.model_copy(update={"source": source, "result": result})
    return None


def _left(shot: ShotPlan, missing: FrameRange, wrong: FrameRange) -> tuple[Failed, ...]:
    """What a sidecar of some of the frames says of the others."""
    whys = dict.fromkeys(missing, "was not made yet") | dict.fromkeys(wrong, "is not as recorded")
    return tuple(
        Failed(number, f"{shot.task.shot} frame {number}: {whys[number]}")
        for number in sorted(whys)
    )

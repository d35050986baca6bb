"""A shot's claim on its results: nobody else writes them, and they are as they were planned.

Between a plan and its run, minutes may pass and other people work: what was true then is asked
once more, under the lock, before the first frame.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from gradeprep import sidecar
from gradeprep.errors import OutputRefusedError
from gradeprep.model.framerange import FrameRange
from gradeprep.pipeline.planned import ShotPlan
from gradeprep.runners import lock, share
from gradeprep.runners.folder import result_folder
from gradeprep.runners.journal import known_records

__all__ = ["claimed", "sidecar_is_ours"]


@contextmanager
def claimed(shot: ShotPlan, *, order: str = "") -> Iterator[None]:
    """The shot's folder and the names of its results, ours alone for as long.

    Args:
        shot: What was decided.
        order: Chunks of this order may be at it all the same: they write what stands there.

    Raises:
        OutputRefusedError: Another run holds them, the folder leads elsewhere by now, a result
            appeared since it was planned, or the sidecar there tells of something else.
        WriteError: The folder or the lock cannot be made.
    """
    with result_folder(shot.folder), lock.held(shot.folder, shot.task.shot):
        share.refuse_others(shot.folder, shot.task.shot, order=order)
        _leads_where_it_did(shot)
        _nothing_appeared(shot)
        sidecar_is_ours(shot)
        yield


def _leads_where_it_did(shot: ShotPlan) -> None:
    """A link that was put in the folder's place, or in that of a parent, is not followed."""
    now = os.path.realpath(shot.folder)
    if now != shot.real_folder:
        raise OutputRefusedError(
            f"leads to {now} now, and led to {shot.real_folder} when it was planned",
            shot=shot.task.shot,
            file=shot.folder,
            remedy="run it again once nobody changes the folder",
        )


def _nothing_appeared(shot: ShotPlan) -> None:
    planned = set(map(str, shot.existing))
    results = (order.result for order in shot.task.frames)
    new = [path for path in results if path not in planned and os.path.lexists(path)]
    if new:
        others = f" and {len(new) - 1} more" if len(new) > 1 else ""
        raise OutputRefusedError(
            f"has been written by somebody else since this run was planned{others}",
            shot=shot.task.shot,
            file=new[0],
            remedy="run it again with --resume",
        )


def sidecar_is_ours(shot: ShotPlan) -> None:
    """A sidecar tells one decision on one plate: nothing else may be left half told by it.

    Raises:
        OutputRefusedError: The one that stands there tells of something else.
    """
    path = sidecar.path_for(shot.folder, shot.task.shot)
    before = known_records(path, shot.task.digest)[0]
    if before is None:
        return
    if before.result.pattern != sidecar.relative(shot.result.pattern, shot.folder):
        raise OutputRefusedError(
            f"tells of another plate there, {before.result.pattern}",
            shot=shot.task.shot,
            file=path,
            remedy="give this shot another name, or write it to another folder",
        )
    if before.digest == shot.task.digest:
        return
    own = {order.number for order in shot.task.frames}
    left = FrameRange.of(record.number for record in before.frames if record.number not in own)
    if left:
        raise OutputRefusedError(
            f"frames {left} there were made by another decision",
            shot=shot.task.shot,
            file=path,
            remedy="run all frames of the shot, or write to another folder",
        )

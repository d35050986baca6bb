"""A shot's claim on its results: nobody else writes them, and they are as they were planned.

Between a plan and its run, minutes may pass and other people work: what was true then is asked
once more, under the lock, before the first frame.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from gradeprep import sidecar
from gradeprep.errors import OutputRefusedError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.shot import ShotDocument
from gradeprep.runners import lock, share
from gradeprep.runners.folder import result_folder
from gradeprep.runners.journal import known_frames

__all__ = ["claimed", "sidecar_is_ours"]


@contextmanager
def claimed(
    document: ShotDocument,
    *,
    real_folder: str | None = None,
    existing: Collection[Path] | None = None,
    order: str = "",
) -> Iterator[None]:
    """The shot's folder and the names of its results, ours alone for as long.

    Args:
        document: What was decided.
        real_folder: Where the folder led when it was planned; anywhere when left out.
        existing: Results that existed when it was planned; any may exist when left out.
        order: Chunks of this order may be at it all the same: they write what stands there.

    Raises:
        OutputRefusedError: Another run holds them, the folder leads elsewhere by now, a result
            appeared since it was planned, or the sidecar there describes something else.
        WriteError: The folder or the lock cannot be made.
    """
    folder = Path(document.folder)
    with result_folder(folder), lock.held(folder, document.shot):
        share.refuse_others(folder, document.shot, order=order)
        if real_folder is not None:
            _leads_where_it_did(document, real_folder)
        if existing is not None:
            _nothing_appeared(document, existing)
        sidecar_is_ours(document)
        yield


def _leads_where_it_did(document: ShotDocument, before: str) -> None:
    """A link that was put in the folder's place, or in that of a parent, is not followed."""
    now = os.path.realpath(document.folder)
    if now != before:
        raise OutputRefusedError(
            f"leads to {now} now, and led to {before} when it was planned",
            shot=document.shot,
            file=document.folder,
            remedy="run it again when nothing else changes the folder",
        )


def _nothing_appeared(document: ShotDocument, existing: Collection[Path]) -> None:
    planned = set(map(str, existing))
    results = (entry.result for entry in document.frames)
    new = [path for path in results if path not in planned and os.path.lexists(path)]
    if new:
        others = f" and {len(new) - 1} more" if len(new) > 1 else ""
        raise OutputRefusedError(
            f"has been written by another program since this run was planned{others}",
            shot=document.shot,
            file=new[0],
            remedy="run it again with --resume",
        )


def sidecar_is_ours(document: ShotDocument) -> None:
    """A sidecar describes one decision on one plate: no frame may be left half described by it.

    Raises:
        OutputRefusedError: The one that stands there describes something else.
    """
    folder = Path(document.folder)
    path = sidecar.path_for(folder, document.shot)
    before = known_frames(path, document.digest)[0]
    if before is None:
        return
    if before.result.pattern != sidecar.relative(document.result.pattern, folder):
        raise OutputRefusedError(
            f"the sidecar already describes another plate, {before.result.pattern}",
            shot=document.shot,
            file=path,
            remedy="give this shot another name, or write it to another folder",
        )
    if before.digest == document.digest:
        return
    own = {entry.number for entry in document.frames}
    left = FrameRange.of(entry.number for entry in before.frames if entry.number not in own)
    if left:
        raise OutputRefusedError(
            f"frames {left} there were made by another decision",
            shot=document.shot,
            file=path,
            remedy="run all frames of the shot, or write to another folder",
        )

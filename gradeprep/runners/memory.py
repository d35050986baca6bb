"""How many frames fit into memory at once, so that large ones slow a small machine, not kill it."""

from __future__ import annotations

from pathlib import Path

from gradeprep import machine
from gradeprep.errors import GradeprepError
from gradeprep.model.frame import Layout
from gradeprep.model.pixeltypes import PIXEL_TYPES
from gradeprep.model.shot import ShotDocument
from gradeprep.plates import files, formats

__all__ = ["fitting", "worker_bytes"]

SHARE = 0.75
"""Of the memory that is free when a run begins; the rest is left to everybody else."""

_PROGRAM = 80 * 2**20
"""Bytes of a worker before its first frame: 62 to 66 MiB were measured on Linux."""

_ROOM = 1.5
"""Bytes for each byte of planes held at once: 0.96 to 1.28 were measured at 3840 x 2160."""


def fitting(document: ShotDocument, *, jobs: int, memory: int | None = None) -> int:
    """Number of workers, at least one and at most ``jobs``, whose frames fit into memory at once.

    Args:
        document: The frames to do; the first one is inspected for their size.
        jobs: Workers that are wished for.
        memory: Bytes that may be used; a share of what is free when left out.
    """
    if jobs <= 1 or not document.frames:
        return 1
    if memory is None:
        free = machine.free_memory()
        if free is None:
            return jobs
        memory = int(free * SHARE)
    try:
        layout = files.inspect(Path(document.frames[0].source))
    except GradeprepError:  # it fails as that frame's own failure
        return jobs
    return max(1, min(jobs, memory // worker_bytes(layout, document.output.type)))


def worker_bytes(layout: Layout, written: str) -> int:
    """Bytes that a worker takes at its peak, over a frame of this layout.

    Results take the place of what was read where samples are of one size.

    Args:
        layout: What the source says about itself.
        written: Type of the result's samples; ``source`` for the source's own.
    """
    planar, planes = formats.by_name(layout.format).PLANAR, 0
    for part in layout.parts:
        pixels = part.data_window[2] * part.data_window[3]
        for kind in part.channels.values():
            decoded = PIXEL_TYPES[kind].dtype.itemsize
            encoded = decoded if written == "source" else PIXEL_TYPES[written].dtype.itemsize
            read = decoded if planar else 2 * decoded
            planes += pixels * max(read, decoded if encoded == decoded else decoded + encoded)
    return _PROGRAM + int(_ROOM * planes)

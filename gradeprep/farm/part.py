"""The frames of a chunk that are done, waiting beside the plates until the shot is sealed.

``.<shot>.stops.<first>-<last>.<8 digits>.part`` is written whole, every few seconds while the
chunk runs and at its end. Its name comes from the order and the frames alone: a chunk that runs
again, or twice at once on two machines, has one part.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from gradeprep import sidecar
from gradeprep.model.bundle import ChunkPart
from gradeprep.model.framerange import FrameRange
from gradeprep.model.shot import FrameEntry
from gradeprep.plates import atomic
from gradeprep.plates.regular import content

__all__ = ["add", "beside", "path_for", "read", "remove"]

_MAX_BYTES = 2**28


def path_for(folder: Path, shot: str, order: str, frames: FrameRange) -> Path:
    """Where the part of a chunk stands."""
    mark = hashlib.sha256(f"{order} {frames}".encode()).hexdigest()[:8]
    return folder / f".{shot}.stops.{frames.first}-{frames.last}.{mark}.part"


def read(path: Path, order: str) -> tuple[FrameEntry, ...]:
    """Frames of a part of this order; none where it is missing, damaged or another order's."""
    if path.is_symlink():  # we make none
        return ()
    try:
        part = ChunkPart.model_validate_json(content(path, _MAX_BYTES))
    except (OSError, ValidationError):
        return ()
    return part.frames if part.order == order else ()


def add(path: Path, shot: str, order: str, done: Iterable[FrameEntry]) -> None:
    """Put frames that are done into a part; others that stand in it stay.

    Raises:
        WriteError: It could not be written; what stood there still stands.
    """
    frames = sidecar.merged(read(path, order), done)
    text = ChunkPart(order=order, shot=shot, frames=frames).model_dump_json(by_alias=True) + "\n"

    def write(temp: Path) -> None:
        temp.write_text(text, encoding="utf-8")

    atomic.publish(path, write, lambda temp: temp.stat().st_size)


def beside(folder: Path, shot: str, order: str) -> dict[Path, tuple[FrameEntry, ...]]:
    """All parts of an order that stand in a folder, in one order for everybody."""
    name = re.compile(rf"\.{re.escape(shot)}\.stops\.-?[0-9]+--?[0-9]+\.[0-9a-f]{{8}}\.part")
    if not folder.is_dir():
        return {}
    paths = sorted(path for path in folder.iterdir() if name.fullmatch(path.name))
    return {path: done for path in paths if (done := read(path, order))}


def remove(paths: Iterable[Path]) -> None:
    """Forget parts; the sidecar has it all now."""
    for path in paths:
        with suppress(OSError):
            path.unlink()

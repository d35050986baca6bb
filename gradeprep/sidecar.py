"""The sidecar: records to JSON beside the plates, and back.

``<shot>.stops.json`` tells everything that was decided for a shot and done to each frame. Its keys
stand in one fixed order and nothing in it depends on the machine or the hour except the block
``dated``, so that two equal runs give equal bytes apart from it. Files are told relative to the
sidecar's own folder, so that a tree of plates can move.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from gradeprep.errors import SidecarError
from gradeprep.model.record import FrameRecord, ShotRecord
from gradeprep.plates import atomic
from gradeprep.plates.regular import content

__all__ = [
    "SUFFIX",
    "absolute",
    "beside",
    "dump",
    "load",
    "merged",
    "path_for",
    "relative",
    "save",
    "schema",
    "text_of",
]

SUFFIX = ".stops.json"
VERSION = 1
_MAX_BYTES = 256 * 2**20  # some 100,000 frames
_GIVE = "give a *.stops.json as this program wrote it"


def path_for(folder: Path, shot: str) -> Path:
    """Where the sidecar of a shot stands: beside its plates."""
    return folder / f"{shot}{SUFFIX}"


def beside(folder: Path) -> list[Path]:
    """All sidecars in a folder."""
    return sorted(path for path in folder.glob(f"*{SUFFIX}") if not path.name.startswith("."))


def schema() -> dict[str, Any]:
    """JSON Schema of sidecars of this version."""
    found = ShotRecord.model_json_schema(by_alias=True)
    found["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    found["title"] = "gradeprep sidecar"
    return found


def dump(record: ShotRecord) -> dict[str, Any]:
    """A record as plain data, in the order of the sidecar."""
    return record.model_dump(mode="json", by_alias=True)


def text_of(record: ShotRecord) -> str:
    """The sidecar's text."""
    return "".join(_pieces(record, None))


def _pieces(record: ShotRecord, frames: Iterable[FrameRecord] | None) -> Iterator[str]:
    """The text, a frame at a time: of ten thousand frames, one is ever held as plain data."""
    head = _json(dump(record.model_copy(update={"frames": ()})))
    before, empty, after = head.partition(_NO_FRAMES)
    yield f"{before}{empty[:-1]}"
    end = ""
    for frame in record.frames if frames is None else frames:
        told = _json(frame.model_dump(mode="json", by_alias=True)).replace("\n", "\n  ")
        yield f"{',' if end else ''}\n  {told}"
        end = "\n "
    yield f"{end}{empty[-1]}{after}\n"


_NO_FRAMES = '\n "frames": []'


def _json(data: Any) -> str:
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)


def save(record: ShotRecord, path: Path, frames: Iterable[FrameRecord] | None = None) -> None:
    """Write a sidecar; whole under its name, or not at all.

    Args:
        record: Its content.
        path: Where it is to stand.
        frames: The frames by number, where the record does not hold them itself.

    Raises:
        WriteError: It could not be written.
    """

    def write(temp: Path) -> None:
        with temp.open("wb") as file:
            file.writelines(piece.encode("utf-8") for piece in _pieces(record, frames))

    atomic.publish(path, write, lambda temp: temp.stat().st_size)


def load(path: Path) -> ShotRecord:
    """Read a sidecar of this version.

    Raises:
        SidecarError: Missing, not JSON, of another version, or not as its schema says.
    """
    try:
        data = json.loads(content(path, _MAX_BYTES).decode("utf-8"))
    except FileNotFoundError:
        raise SidecarError("there is no such sidecar", file=path) from None
    except OSError as error:
        raise SidecarError(f"cannot be read: {error.strerror}", file=path) from error
    except (ValueError, RecursionError) as error:
        raise SidecarError("is not JSON, so it is no sidecar", file=path, remedy=_GIVE) from error
    version = data.get("gradeprep_sidecar") if isinstance(data, dict) else None
    if version != VERSION:
        told = "says no version" if version is None else f"is of version {version}"
        raise SidecarError(
            f"{told}; this program reads version {VERSION}",
            file=path,
            remedy=f"{_GIVE}, or update the program",
        )
    try:
        record = ShotRecord.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        what = f"is damaged at '{place}': {first['msg'].lower()}"
        raise SidecarError(what, file=path, remedy=_GIVE) from error
    if not record.frames:
        raise SidecarError("tells of no frames", file=path, remedy=_GIVE)
    return record


def merged(*runs: Iterable[FrameRecord]) -> tuple[FrameRecord, ...]:
    """Records of several runs of one decision by frame number; a later run's record wins."""
    by_number = {record.number: record for run in runs for record in run}
    return tuple(by_number[number] for number in sorted(by_number))


def relative(path: str | Path, folder: Path) -> str:
    """A path as a sidecar in the folder tells it, with forward slashes."""
    try:
        told = os.path.relpath(path, folder)
    except ValueError:  # another drive
        told = str(path)
    return told.replace(os.sep, "/")


def absolute(told: str, folder: Path) -> Path:
    """The path that a sidecar in the folder means."""
    return Path(os.path.normpath(folder / told))

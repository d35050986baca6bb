"""The sidecar: a shot's document as JSON beside its plates, with every frame done.

``<shot>.stops.json`` says everything that was decided for a shot and done to each frame. Its keys
stand in one fixed order and nothing in it depends on the machine or the hour except the block
``dated``, so that two equal runs give equal bytes apart from it. On disk a document is *filed*:
its paths are relative to the sidecar's own folder, so that a tree of plates can move.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from gradeprep.errors import SidecarError
from gradeprep.model.shot import FrameEntry, ShotDocument, relocate
from gradeprep.plates import atomic
from gradeprep.plates.regular import content

__all__ = [
    "SUFFIX",
    "absolute",
    "beside",
    "dump",
    "filed",
    "filed_entry",
    "load",
    "load_filed",
    "merged",
    "path_for",
    "relative",
    "save",
    "schema",
    "text_of",
]

SUFFIX = ".stops.json"
VERSION = 2
_MAX_BYTES = 256 * 2**20  # some 100,000 frames
_GIVE = "give a *.stops.json as this program wrote it"


def path_for(folder: Path, shot: str) -> Path:
    """Where the sidecar of a shot stands: beside its plates."""
    return folder / f"{shot}{SUFFIX}"


def beside(folder: Path) -> list[Path]:
    """All sidecars in a folder."""
    return sorted(path for path in folder.glob(f"*{SUFFIX}") if not path.name.startswith("."))


def schema() -> dict[str, Any]:
    """JSON Schema of sidecars of this version: of shot documents with every frame done."""
    found = ShotDocument.model_json_schema(by_alias=True)
    entry = found["$defs"]["FrameEntry"]
    entry["required"].append("done")
    entry["properties"]["done"] = {"$ref": "#/$defs/FrameResult"}
    found["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    found["title"] = "gradeprep sidecar"
    return found


def dump(document: ShotDocument) -> dict[str, Any]:
    """A document as plain data, in the order of the sidecar."""
    return document.model_dump(mode="json", by_alias=True)


def text_of(document: ShotDocument) -> str:
    """The sidecar's text."""
    return "".join(_pieces(document))


def _pieces(document: ShotDocument) -> Iterator[str]:
    """The text, a frame at a time: of ten thousand frames, one is ever held as plain data."""
    head = _json(dump(document.only(())))
    before, empty, after = head.partition(_NO_FRAMES)
    yield f"{before}{empty[:-1]}"
    end = ""
    for entry in document.frames:
        text = _json(entry.model_dump(mode="json", by_alias=True)).replace("\n", "\n  ")
        yield f"{',' if end else ''}\n  {text}"
        end = "\n "
    yield f"{end}{empty[-1]}{after}\n"


_NO_FRAMES = '\n "frames": []'


def _json(data: Any) -> str:
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)


def save(document: ShotDocument, path: Path) -> None:
    """Write a sidecar; whole under its name, or not at all.

    Args:
        document: Its content, filed.
        path: Where it is to stand.

    Raises:
        WriteError: It could not be written.
    """

    def write(temp: Path) -> None:
        with temp.open("wb") as file:
            file.writelines(piece.encode("utf-8") for piece in _pieces(document))

    atomic.publish(path, write, lambda temp: temp.stat().st_size)


def load(path: Path) -> ShotDocument:
    """Read a sidecar; its paths can be opened from here.

    Raises:
        SidecarError: Missing, not JSON, of another version, or not as its schema says.
    """
    folder = path.parent
    return relocate(load_filed(path), lambda file: str(absolute(file, folder)))


def load_filed(path: Path) -> ShotDocument:
    """Read a sidecar; its paths are relative to its folder, as it has them.

    Raises:
        SidecarError: Missing, not JSON, of another version, or not as its schema says.
    """
    try:
        data = json.loads(content(path, _MAX_BYTES).decode("utf-8"))
    except FileNotFoundError:
        raise SidecarError("no such sidecar", file=path) from None
    except OSError as error:
        raise SidecarError(f"cannot be read: {error.strerror}", file=path) from error
    except (ValueError, RecursionError) as error:
        raise SidecarError("is not JSON, so it is no sidecar", file=path, remedy=_GIVE) from error
    version = data.get("gradeprep_shot") if isinstance(data, dict) else None
    if version != VERSION:
        found = "missing version field" if version is None else f"is of version {version}"
        raise SidecarError(
            f"{found}; this program reads version {VERSION}",
            file=path,
            remedy=f"{_GIVE}, or update the program",
        )
    try:
        document = ShotDocument.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        what = f"is damaged at '{place}': {first['msg'].lower()}"
        raise SidecarError(what, file=path, remedy=_GIVE) from error
    if not document.frames:
        raise SidecarError("has no frames", file=path, remedy=_GIVE)
    for entry in document.frames:
        if entry.done is None:
            what = f"frame {entry.number} is not done, so this is no sidecar"
            raise SidecarError(what, file=path, remedy=_GIVE)
    return document


def merged(*runs: Iterable[FrameEntry]) -> tuple[FrameEntry, ...]:
    """Entries of several runs of one decision by frame number; a later run's entry wins."""
    by_number = {entry.number: entry for run in runs for entry in run}
    return tuple(by_number[number] for number in sorted(by_number))


def filed(document: ShotDocument) -> ShotDocument:
    """A document as a sidecar in its folder has it: every path relative to that folder."""
    folder = Path(document.folder)
    return relocate(document, lambda file: relative(file, folder))


def absolute(file: str, folder: Path) -> Path:
    """The path that a sidecar in the folder means."""
    return Path(os.path.normpath(folder / file))


def filed_entry(entry: FrameEntry, folder: Path) -> FrameEntry:
    """An entry as a sidecar in the folder has it."""
    source, result = relative(entry.source, folder), relative(entry.result, folder)
    return entry.model_copy(update={"source": source, "result": result})


def relative(path: str | Path, folder: Path) -> str:
    """A path as a sidecar in the folder has it, with forward slashes."""
    try:
        found = os.path.relpath(path, folder)
    except ValueError:  # another drive
        found = str(path)
    return found.replace(os.sep, "/")

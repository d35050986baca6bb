"""Where results go and what they are: settled and checked before the first one is written."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from gradeprep.errors import CannotCarryError, OutputRefusedError, RequestError
from gradeprep.model.frame import Layout
from gradeprep.model.order import OutputOrder
from gradeprep.model.recipe import OutputAsk, Shot
from gradeprep.pipeline.survey import Survey
from gradeprep.plates import atomic, formats
from gradeprep.plates.format import Problem, WritableFormat
from gradeprep.plates.sequence import Pattern

__all__ = ["Target", "bytes_needed", "free_disk", "order_output", "place", "writable"]

_NAME_LIMIT = 200
"""Bytes of a result's name: disks take 255, and a temporary name is some 45 longer."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where the results of a shot go.

    Attributes:
        pattern: Their names.
        existing: Those that exist already.
    """

    pattern: Pattern
    existing: tuple[Path, ...]

    @property
    def folder(self) -> Path:
        """The folder they stand in, the sidecar with them."""
        return self.pattern.folder


def place(shot: Shot, found: Survey, folder: Path) -> Target:
    """Names of the results, none of which is a source.

    Args:
        shot: The shot; a relative output is relative to ``folder``.
        found: Its plate.
        folder: Where the recipe stands.

    Raises:
        RequestError: The pattern does not fit the plate.
        OutputRefusedError: A result would be a source, would leave the folder that the user
            named, or could not be written there.
    """
    assert shot.output.plate is not None
    text = shot.output.plate.replace("{shot}", shot.name)
    if "{" in text:
        raise RequestError(
            f"'{text}' has a placeholder that nothing fills",
            shot=shot.name,
            key="output.plate",
            remedy="{shot} is the only one",
        )
    pattern = Pattern.parse(folder / text)
    _stays_within(folder, shot, pattern)
    if not pattern.token and len(found.frames) > 1:
        raise RequestError(
            f"'{text}' names one file, the plate has {len(found.frames)} frames",
            shot=shot.name,
            key="output.plate",
            remedy="put #### where the frame number goes",
        )
    writable(pattern.folder, map(pattern.file, found.frames), shot=shot.name)
    there = (number for number in found.frames if os.path.lexists(pattern.text(number)))
    existing = tuple(map(pattern.path, there))
    _not_a_source(shot, found, existing)
    _only_files(shot, existing)
    return Target(pattern, existing)


def _stays_within(folder: Path, shot: Shot, pattern: Pattern) -> None:
    """Results stay below what the user wrote before the first placeholder, links resolved.

    What is filled in, and what others put into the folder, must not lead anywhere else.
    """
    parts = Path(shot.output.plate or "").parts[:-1]
    fixed = next((i for i, part in enumerate(parts) if "{shot}" in part), len(parts))
    if ".." in parts[fixed:]:
        raise OutputRefusedError(
            "'..' behind a placeholder could lead anywhere",
            shot=shot.name,
            key="output.plate",
            remedy="name the folder itself",
        )
    root = os.path.realpath(folder.joinpath(*parts[:fixed]))
    real = os.path.realpath(pattern.folder)
    if os.path.commonpath([root, real]) != root:
        raise OutputRefusedError(
            f"leads out of {root} to {real}",
            shot=shot.name,
            file=pattern.folder,
            remedy="remove the link, or name the folder itself in output.plate",
        )


def _only_files(shot: Shot, existing: Iterable[Path]) -> None:
    """A result takes the place of a file, or of a link, and of nothing else."""
    for path in existing:
        kind = path.lstat().st_mode
        if not (stat.S_ISREG(kind) or stat.S_ISLNK(kind) or stat.S_ISDIR(kind)):
            raise OutputRefusedError(
                "is a device, a pipe or a socket",
                shot=shot.name,
                file=path,
                remedy="write somewhere else",
            )


def _not_a_source(shot: Shot, found: Survey, existing: Sequence[Path]) -> None:
    """What is there already must be no source, by whatever path or link."""
    if not existing:
        return
    sources = {atomic.identity(found.sequence.path(number)) for number in found.frames}
    for path in existing:
        if atomic.identity(path) in sources:
            raise OutputRefusedError(
                "the output is the source",
                shot=shot.name,
                file=path,
                remedy="write to another folder; a source is never touched",
            )


def writable(folder: Path, names: Iterable[str], *, shot: str) -> None:
    """Refuse a folder, there already or still to be made, that could not take the results.

    Args:
        folder: Where they go.
        names: Their file names.
        shot: The shot they belong to.

    Raises:
        OutputRefusedError: It is a file, may not be written, or a name is too long.
    """
    for name in chain(names, folder.parts):
        if len(os.fsencode(name)) > _NAME_LIMIT:
            raise OutputRefusedError(
                f"the name is longer than {_NAME_LIMIT} bytes",
                shot=shot,
                file=name,
                remedy="choose a shorter one",
            )
    there = _nearest(folder)
    if not there.is_dir():
        raise OutputRefusedError(
            f"cannot be a folder: {there} is a file",
            shot=shot,
            file=folder,
            remedy="write somewhere else",
        )
    if not os.access(there, os.W_OK | os.X_OK):
        raise OutputRefusedError(
            f"cannot be written: no permission in {there}, or the disk is read-only",
            shot=shot,
            file=folder,
            remedy="write somewhere else, or have its permissions changed",
        )


def _nearest(folder: Path) -> Path:
    """The folder itself, or the nearest of its parents that exists, a broken link too."""
    for there in (folder, *folder.parents):
        if there.exists() or there.is_symlink():
            return there
    return Path()


def free_disk(folder: Path) -> int:
    """Free bytes where a folder is, or will be."""
    return shutil.disk_usage(_nearest(folder)).free


def order_output(shot: Shot, found: Survey, target: Target) -> OutputOrder:
    """Format, type, compression and container of the results.

    Raises:
        RequestError: They contradict each other.
        CannotCarryError: The result could not hold what the plate has.
    """
    ask, layout = shot.output, found.first
    format = str(formats.name_of(target.pattern.name))
    try:
        writer = formats.writable(format, formats.suffix_of(target.pattern.name))
        _exists(ask, writer)
    except RequestError as error:
        raise error.at(shot=shot.name) from None
    same = layout.format == format
    order = OutputOrder(
        format=format,
        type=_type("half" if ask.container == "aces" else ask.type, found, writer, same=same),
        compression=_compression(ask, writer, same=same),
        container=ask.container,
        only_colour=ask.only_colour,
    )
    problem = _straight(layout, writer, same=same) or writer.problem(layout, order)
    if problem:
        what, remedy = problem
        raise CannotCarryError(
            what,
            shot=shot.name,
            file=found.sequence.path(found.frames.first),
            remedy=remedy,
        )
    return order


def _straight(layout: Layout, writer: WritableFormat, *, same: bool) -> Problem | None:
    """Straight alpha stays in its format: colours are not multiplied by it on the way."""
    if same or not layout.straight_alpha:
        return None
    return f"its alpha is straight, {writer.TITLE} holds associated alpha", (
        "keep the format, or associate the alpha first"
    )


def _exists(ask: OutputAsk, writer: WritableFormat) -> None:
    """Refuse what the format has not.

    Raises:
        RequestError: A type, a compression, a container, or their combination.
    """
    if ask.type not in ("source", *writer.TYPES):
        raise RequestError(
            f"type {ask.type} does not exist in {writer.TITLE}",
            remedy=f"set output.type: {writer.default_type(ask.type)}, one of "
            f"{', '.join(writer.TYPES)}",
            key="output",
        )
    if ask.container not in ("source", *writer.CONTAINERS):
        raise RequestError(
            f"{writer.TITLE} has no {ask.container.upper()} container",
            remedy="leave it out",
            key="output",
        )
    if ask.compression not in ("source", *writer.COMPRESSIONS):
        several = len(writer.COMPRESSIONS) > 1
        raise RequestError(
            f"compression {ask.compression} does not exist in {writer.TITLE}"
            if several
            else f"{writer.TITLE} has no compression",
            remedy=f"its compressions are {', '.join(writer.COMPRESSIONS)}"
            if several
            else "leave it out",
            key="output",
        )
    if ask.container == "aces" and (
        ask.compression not in ("source", "none") or ask.type not in ("source", "half")
    ):
        raise RequestError(
            "an ACES container is half without compression (SMPTE ST 2065-4)",
            remedy="leave out type and compression",
            key="output",
        )


def _type(asked: str, found: Survey, writer: WritableFormat, *, same: bool) -> str:
    """The type to order: ``source`` where nothing changes, else the name of one."""
    if same and asked in ("source", found.type):
        return "source"
    return writer.default_type(found.type) if asked == "source" else asked


def _compression(ask: OutputAsk, writer: WritableFormat, *, same: bool) -> str:
    if ask.container == "aces":
        return "none"
    if ask.compression == "source" and not (same and len(writer.COMPRESSIONS) > 1):
        return writer.DEFAULT_COMPRESSION
    return ask.compression


def bytes_needed(found: Survey, order: OutputOrder) -> tuple[int, bool]:
    """Bytes that the results take, and whether that is close or only an upper bound."""
    layout, writer = found.first, formats.writable(order.format)
    same_codec = order.compression == "source" or len(writer.COMPRESSIONS) == 1
    if order.type == "source" and order.format == layout.format and same_codec:
        return found.bytes, True
    samples = sum(_file_bytes(layout, order, writer) for layout in found.layouts.values())
    return int(samples), order.compression == "none"


def _file_bytes(layout: Layout, order: OutputOrder, writer: WritableFormat) -> float:
    total = 0.0
    for part in layout.parts:
        for kind in part.channels.values():
            kept = kind if order.type == "source" else order.type
            total += part.data_window[2] * part.data_window[3] * writer.sample_bytes(kept)
    return total

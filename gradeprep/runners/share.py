"""Many at once over the results of a shot: each chunk that runs says so in a file of its own.

``.<shot>.stops.<16 digits>.share`` stands beside the plates while a chunk runs and names its host,
process, order and frames. Chunks of one order run side by side; a run that wants the shot for
itself (`lock.held`) and chunks of another order are refused, and so is a chunk while such a run
goes on. Both sides put up their own sign before they look for the other's, so at least one of two
that begin in one moment sees the other.

As with the lock, the kernel knows for certain whether a process of this machine still lives, and
nobody can know it of another machine's: such a share stands until somebody removes it, or until
its order is sealed.
"""

from __future__ import annotations

import json
import os
import platform
import re
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from gradeprep.errors import OutputRefusedError
from gradeprep.plates import atomic
from gradeprep.runners import lock

__all__ = ["Share", "joined", "refuse_others", "sweep"]

_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Share:
    """Who works on some frames of a shot.

    Attributes:
        host: Name of the machine.
        pid: Process id there.
        since: Date and time, UTC, ISO 8601.
        order: What is ordered, as a hash; equal for all chunks of one order.
        frames: Its frames.
    """

    host: str
    pid: int
    since: str
    order: str
    frames: str


@contextmanager
def joined(folder: Path, shot: str, *, order: str, frames: str) -> Iterator[None]:
    """Work on some frames of a shot, beside others of the same order, for as long.

    Args:
        folder: Where the results stand; it must exist.
        shot: Name of the shot.
        order: What is ordered, as a hash.
        frames: The frames, as messages name them.

    Raises:
        OutputRefusedError: A run holds the shot for itself, or chunks of another order are at it.
        WriteError: The sign cannot be put up.
    """
    path = folder / f".{shot}.stops.{secrets.token_hex(8)}.share"
    since = datetime.now(UTC).isoformat(timespec="seconds")
    text = json.dumps(asdict(Share(platform.node(), os.getpid(), since, order, frames)))
    handles: list[int] = []

    def write(temp: Path) -> None:
        temp.write_text(text, encoding="utf-8")
        if sys.platform != "win32":  # an open file cannot be renamed there
            handles.append(os.open(temp, os.O_RDWR))
            lock.free(handles[0])

    try:
        atomic.publish(path, write, lambda temp: None)
        lock.refuse_held(folder, shot)
        refuse_others(folder, shot, order=order)
        yield
    finally:
        with suppress(OSError):  # sealed meanwhile
            path.unlink()
        for handle in handles:
            os.close(handle)


def refuse_others(folder: Path, shot: str, *, order: str = "") -> None:
    """Pass where nobody works on the shot, chunks of this order aside.

    Raises:
        OutputRefusedError: Somebody does; the error says who.
    """
    for path in _shares(folder, shot):
        share = _living(path)
        if share is not None and share.order != order:
            there = f"process {share.pid} on {share.host} since {share.since}"
            remedy = "wait until it ends, or write to another folder"
            if share.host != platform.node() or sys.platform == "win32":
                remedy += "; if it died, remove this file"
            what = f"frames {share.frames} are being made by {there}"
            raise OutputRefusedError(what, shot=shot, file=path, remedy=remedy)


def sweep(folder: Path, shot: str, *, order: str) -> None:
    """Remove what chunks of an order left on machines that died; the order is done."""
    for path in _shares(folder, shot):
        share = _living(path)
        if share is not None and share.order == order and share.host != platform.node():
            with suppress(OSError):
                path.unlink()


def _shares(folder: Path, shot: str) -> list[Path]:
    name = re.compile(rf"\.{re.escape(shot)}\.stops\.[0-9a-f]{{16}}\.share")
    return sorted(path for path in folder.iterdir() if name.fullmatch(path.name))


def _living(path: Path) -> Share | None:
    """Who put the sign up, if that process may still live; one that it left behind is removed."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:  # taken down in this moment
        return None
    try:
        available = lock.free(handle, look=True)
        share = _read(handle)
    finally:
        os.close(handle)
    holder = None if share is None else lock.Holder(share.host, share.pid, share.since)
    if available is False or not lock.dead(holder, known=available is True):
        return share or Share("an unknown host", 0, "an unknown time", "", "unknown")
    with suppress(OSError):
        path.unlink()
    return None


def _read(handle: int) -> Share | None:
    try:
        data = json.loads(os.read(handle, _BYTES))
        words = (str(data[key]) for key in ("order", "frames"))
        return Share(str(data["host"]), int(data["pid"]), str(data["since"]), *words)
    except (ValueError, TypeError, KeyError, OSError):
        return None

"""One run at a time over the results of a shot: a lock beside the plates names who holds it.

``.<shot>.stops.lock`` says host, process and since when, as JSON. On one machine the kernel keeps
the lock (``flock``) and drops it with its process, however that ends, so a lock that a dead run
left is known for certain and taken over. Between machines the file itself is the lock: whoever
makes it has it (``O_EXCL``), and one that another machine left is never taken over, for nobody
here can see whether that run still lives.
"""

from __future__ import annotations

import errno
import json
import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from gradeprep.errors import OutputRefusedError, WriteError

if sys.platform != "win32":
    import fcntl

__all__ = ["Holder", "dead", "free", "held", "path_for", "refuse_held"]

PATIENCE = 2.0
"""Seconds that a lock without a name gets to be signed by whoever has just made it."""

_SAFELY = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_GLANCE = 0.05
_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock.

    Attributes:
        host: Name of the machine.
        pid: Process id there.
        since: Date and time, UTC, ISO 8601.
    """

    host: str
    pid: int
    since: str

    def __str__(self) -> str:
        return f"process {self.pid} on {self.host} since {self.since}"


def path_for(folder: Path, shot: str) -> Path:
    """Where the lock of a shot stands."""
    return folder / f".{shot}.stops.lock"


@contextmanager
def held(folder: Path, shot: str) -> Iterator[None]:
    """The results of a shot are ours alone for as long.

    Args:
        folder: Where they stand; it must exist.
        shot: Name of the shot.

    Raises:
        OutputRefusedError: Another run holds them; the error names it.
        WriteError: The lock cannot be made.
    """
    path = path_for(folder, shot)
    try:
        handle = _taken(path, shot)
    except OSError as error:
        reason = "a link or no file has its name" if error.errno in _NO_FILE else error.strerror
        raise WriteError(
            f"the lock cannot be made: {reason}",
            shot=shot,
            file=path,
            remedy="check the folder's permissions",
        ) from error
    try:
        yield
    finally:
        _released(path, handle)


def refuse_held(folder: Path, shot: str) -> None:
    """Pass where nobody alive holds the results of a shot; nothing is taken.

    Raises:
        OutputRefusedError: A run holds them; the error names it.
    """
    path = path_for(folder, shot)
    try:
        handle = os.open(path, os.O_RDONLY | _SAFELY)
    except OSError:  # there is none; a link or a pipe is no lock of ours
        return
    try:
        available = free(handle, look=True)
        holder = _signed(handle)
        if available is False or not dead(holder, known=available is True):
            raise _refusal(path, shot, holder)
    finally:
        os.close(handle)


_NO_FILE = (errno.ELOOP, errno.EISDIR, errno.ENXIO)


def _taken(path: Path, shot: str) -> int:
    """The open lock file, ours and signed."""
    while True:
        handle, new = _opened(path)
        try:
            available = free(handle)
            if available is not False and not _still_there(path, handle):
                os.close(handle)  # its holder took it away in this moment: begin again
                continue
            if available is False or not new:
                holder = _signed(handle)
                if available is False or not dead(holder, known=available is True):
                    raise _refusal(path, shot, holder)
            _sign(handle)
        except BaseException:
            os.close(handle)
            raise
        return handle


def _opened(path: Path) -> tuple[int, bool]:
    """The lock file, and whether it was made here and now; links are not followed."""
    flags = os.O_RDWR | _SAFELY
    while True:
        with suppress(FileExistsError):
            return os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666), True
        with suppress(FileNotFoundError):
            return os.open(path, flags), False


def free(handle: int, *, look: bool = False) -> bool | None:
    """Whether no living process of this machine holds a file; None where the kernel cannot say.

    A free one is ours from then on; with ``look`` two who only look do not see each other.
    """
    if sys.platform != "win32":
        try:
            fcntl.flock(handle, (fcntl.LOCK_SH if look else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # a disk without locks: what the file says decides
            return None
        return True
    return None


def _still_there(path: Path, handle: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(handle))
    except FileNotFoundError:
        return False


def _signed(handle: int) -> Holder | None:
    """Who signed it; None where nobody has within a while."""
    deadline = time.monotonic() + PATIENCE
    while True:
        with suppress(ValueError, TypeError, KeyError):
            os.lseek(handle, 0, os.SEEK_SET)
            data = json.loads(os.read(handle, _BYTES))
            return Holder(str(data["host"]), int(data["pid"]), str(data["since"]))
        if time.monotonic() > deadline:
            return None
        time.sleep(_GLANCE)


def dead(holder: Holder | None, *, known: bool) -> bool:
    """Whether a holder has left the lock behind; ``known``: no process here has it."""
    if holder is None:
        return True
    if holder.host != platform.node():
        return False
    if known:
        return True
    if sys.platform == "win32":  # there, signal 0 is an interrupt and not a question
        return False
    try:
        os.kill(holder.pid, 0)
    except (ProcessLookupError, OverflowError):
        return True
    except PermissionError:  # somebody else's, and so alive
        return False
    return False


def _sign(handle: int) -> None:
    since = datetime.now(UTC).isoformat(timespec="seconds")
    text = json.dumps(asdict(Holder(platform.node(), os.getpid(), since)))
    with suppress(OSError):  # no room for the name: it is held all the same
        os.lseek(handle, 0, os.SEEK_SET)
        os.ftruncate(handle, os.write(handle, text.encode()))


def _refusal(path: Path, shot: str, holder: Holder | None) -> OutputRefusedError:
    who = "another run" if holder is None else str(holder)
    remedy = "wait until it ends, or write to another folder"
    if holder is not None and (holder.host != platform.node() or sys.platform == "win32"):
        remedy += "; if it died, remove this file"
    return OutputRefusedError(f"held by {who}", shot=shot, file=path, remedy=remedy)


def _released(path: Path, handle: int) -> None:
    with suppress(OSError):  # where it cannot be removed, the next run sees that it is dead
        if sys.platform != "win32" and _still_there(path, handle):
            path.unlink()
    os.close(handle)
    if sys.platform == "win32":  # an open file cannot be removed there
        with suppress(OSError):
            path.unlink()

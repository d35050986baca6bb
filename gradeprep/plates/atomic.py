"""A result appears under its name whole and checked, or not at all.

The bytes go to a hidden temporary file in the same folder, are read back, are forced to disk, and
only then take the final name in one step. Whatever stood there before stays until that moment.
"""

from __future__ import annotations

import errno
import os
import platform
import re
import secrets
import sys
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

import xxhash

from gradeprep.errors import PlateError, WriteError

__all__ = ["digest", "identity", "is_temp", "publish", "same_file", "sweep"]

T = TypeVar("T")

_BLOCK = 1 << 18

# A process id has no meaning on another machine, and folders are shared: the temporary name holds
# a hash of the machine's name.
_MACHINE = f"{zlib.crc32(platform.node().encode()):08x}"
_TEMP = re.compile(
    r"\..+\.(?P<pid>[0-9]{1,10})\.(?P<machine>[0-9a-f]{8})-[0-9a-f]{8}\.tmp(\.[^.]+)?", re.DOTALL
)

_REASONS = {
    errno.ENOSPC: ("the disk is full", "free some space and run it again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space or have the quota raised"),
    errno.EACCES: ("writing there is not permitted", "check the permissions of the folder"),
    errno.EPERM: ("writing there is not permitted", "check the permissions of the folder"),
    errno.EROFS: ("the disk is mounted read-only", "write somewhere else"),
    errno.EFBIG: (
        "the file is larger than the disk or a limit allows",
        "have the limit on file size raised (ulimit -f) or write somewhere else",
    ),
    errno.ENAMETOOLONG: (
        "the name is too long for the disk (some 40 characters are added while it is written)",
        "choose a shorter name",
    ),
    errno.ENOTDIR: ("its folder is a file", "choose another folder"),
    errno.EISDIR: ("a folder has that name", "choose another name"),
    errno.EIO: ("the disk reports a fault", "check the disk and run it again"),
}


def publish(final: Path, write: Callable[[Path], None], verify: Callable[[Path], T]) -> T:
    """Writes a file, verifies it, and gives it its name in one step.

    A link under the final name is replaced, never followed.

    Args:
        final: The name the file ends under; its folder must exist.
        write: Writes the whole file at the path it is given (the extension is the final one).
        verify: Reads the written file back, raises where it is not right, returns what is wanted
            of it, such as its digest.

    Raises:
        WriteError: The file could not be written whole; what stood there before still stands.
            What else `write` or `verify` raise passes through, with the same promise.
    """
    temp = _temp_for(final)
    try:
        write(temp)
        _to_disk(temp)
        found = _verified(temp, verify)
        temp.replace(final)
    except BaseException as error:
        with suppress(OSError):
            temp.unlink(missing_ok=True)
        if isinstance(error, OSError):
            what, remedy = _reason(final, error)
            raise WriteError(what, remedy=remedy, file=final) from error
        if isinstance(error, WriteError):
            raise _renamed(error, temp, final) from error
        raise
    _folder_to_disk(final.parent)
    return found


def is_temp(name: str) -> bool:
    """Whether a file of this name is a result that `publish` has not finished."""
    return _TEMP.fullmatch(name) is not None


def sweep(folder: Path) -> list[Path]:
    """Removes the temporary files that dead processes of this machine left in a folder.

    Those of running processes (this one included) and of other machines stay.

    Returns:
        What was removed, by name. A folder that does not exist has nothing to remove.
    """
    if not folder.is_dir():
        return []
    with os.scandir(folder) as entries:
        matches = [match for entry in entries if (match := _TEMP.fullmatch(entry.name))]
    removed = []
    for match in sorted(matches, key=lambda match: match.string):
        if match["machine"] == _MACHINE and not _alive(int(match["pid"])):
            with suppress(OSError):  # another sweep removed it, or it may not be removed
                path = folder / match.string
                path.unlink()
                removed.append(path)
    return removed


def same_file(a: Path, b: Path) -> bool:
    """Whether two paths are one file, through links of both kinds; neither need exist yet."""
    if os.path.realpath(a) == os.path.realpath(b):
        return True
    try:
        return a.samefile(b)
    except OSError:  # one of them does not exist, so they are not hard links of one file
        return False


def identity(path: Path) -> tuple[int, int] | None:
    """Device and inode of a file, equal for all its links; None where there is no file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def digest(path: Path) -> str:
    """Hash of a file's bytes, as ``xxh128:`` and 32 hexadecimal digits (XXH3, 128 bit).

    It detects changes at the speed of memory; it is no protection against forgery.

    Raises:
        OSError: The file cannot be read.
    """
    total = xxhash.xxh3_128()
    block = memoryview(bytearray(_BLOCK))
    with path.open("rb", buffering=0) as stream:
        while size := stream.readinto(block):
            total.update(block[:size])
    return f"xxh128:{total.hexdigest()}"


def _temp_for(final: Path) -> Path:
    """A name no other call uses, in the folder of the final one: a rename must not cross disks."""
    unique = f"{_MACHINE}-{secrets.token_hex(4)}"
    return final.with_name(f".{final.stem}.{os.getpid()}.{unique}.tmp{final.suffix}")


def _to_disk(temp: Path) -> None:
    with temp.open("rb+") as stream:
        os.fsync(stream.fileno())


def _folder_to_disk(folder: Path) -> None:
    """Makes the new name survive a power cut, where the system has a way to.

    The file is whole under its name by now: a disk that cannot do this is no failure.
    """
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _verified(temp: Path, verify: Callable[[Path], T]) -> T:
    try:
        return verify(temp)
    except PlateError as error:  # a result that reads back wrong is not a plate that came in wrong
        raise WriteError(
            f"what was written reads back wrong: {error.what}",
            remedy="check the disk and run it again",
            frame=error.frame,
        ) from error


def _renamed(error: WriteError, temp: Path, final: Path) -> WriteError:
    """The same error with the final name of the file."""
    what = error.what.replace(temp.name, final.name)
    return WriteError(
        what, remedy=error.remedy, shot=error.shot, frame=error.frame, file=final, key=error.key
    )


def _reason(final: Path, error: OSError) -> tuple[str, str]:
    """What an operating system's error means, and what to do about it."""
    if error.errno == errno.ENOENT:
        if final.parent.is_dir():
            return "it vanished while it was written", "run it again, once and not twice at a time"
        return "its folder does not exist", f"make the folder {final.parent}"
    plain = error.strerror or str(error) or type(error).__name__
    return _REASONS.get(error.errno or 0, (plain, "correct it and run it again"))


def _alive(pid: int) -> bool:
    """Whether a process of this machine runs; yes where the test could disturb it."""
    if sys.platform == "win32":  # there, signal 0 interrupts the process
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:  # it belongs to another user, and so it is alive
        return True
    return True

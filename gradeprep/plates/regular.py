"""Files that are read whole are regular files of a bounded size.

To open a pipe may wait for ever, to open a device may do anything, and neither ends.
"""

from __future__ import annotations

import os
import stat
from io import BufferedReader
from pathlib import Path

from gradeprep.errors import RequestError

__all__ = [
    "NotRegularError",
    "TooLargeError",
    "asked_for",
    "check_regular",
    "content",
    "decoded",
    "opened",
]


class NotRegularError(OSError):
    """What has the name is no regular file."""

    def __init__(self, path: str | Path) -> None:
        super().__init__(0, "it is not a regular file", str(path))


class TooLargeError(OSError):
    """A file is larger than any of its kind."""

    def __init__(self, path: Path, limit: int) -> None:
        super().__init__(0, f"it is larger than {limit >> 20} MiB", str(path))


def check_regular(path: str | Path) -> None:
    """Pass a regular file, or a link to one.

    Raises:
        NotRegularError: A folder, a pipe, a device, a socket.
        OSError: It does not exist, or cannot be asked.
    """
    if not stat.S_ISREG(os.stat(path).st_mode):  # noqa: PTH116  # as in `opened`
        raise NotRegularError(path)


def opened(path: str | Path) -> BufferedReader:
    """A regular file, open to be read; its name as text will do: a Path of every frame is slow.

    Raises:
        NotRegularError: A folder, a pipe, a device, a socket.
        OSError: It does not exist, or cannot be opened.
    """
    check_regular(path)
    return open(path, "rb")  # noqa: PTH123


def content(path: Path, limit: int) -> bytes:
    """All bytes of a regular file.

    Args:
        path: The file.
        limit: Most bytes that it may have.

    Raises:
        NotRegularError: It is no regular file.
        TooLargeError: It has more bytes.
        OSError: It cannot be read.
    """
    with opened(path) as file:
        found = file.read(limit + 1)
    if len(found) > limit:
        raise TooLargeError(path, limit)
    return found


def asked_for(path: Path, limit: int, *, missing: str) -> bytes:
    """All bytes of a file that a person named.

    Args:
        path: The file.
        limit: Most bytes that it may have.
        missing: What to say where there is none.

    Raises:
        RequestError: It is not there, is no regular file, is too large, or cannot be read.
    """
    try:
        return content(path, limit)
    except FileNotFoundError:
        raise RequestError(missing, file=path) from None
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", file=path) from error


def decoded(raw: bytes, path: Path, encoding: str = "utf-8") -> str:
    """The text that bytes of a file are.

    Raises:
        RequestError: They are no such text.
    """
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise RequestError(f"is not UTF-8 text: {error.reason}", file=path) from error

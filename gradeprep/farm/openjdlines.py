"""What a chunk prints for a farm while it runs: the lines of Open Job Description.

``openjd_progress: 0..100``, ``openjd_status: text`` and ``openjd_fail: text`` on standard output,
each on a line of its own whatever stands in a file's name. The exit code decides; these are words.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

__all__ = ["Talk", "one_line"]

_LONGEST = 1000


class Talk:
    """Prints progress for a farm; it never runs backwards.

    Args:
        say: Prints one line at once.
    """

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._percent = -1.0

    def progress(self, done: int, total: int) -> None:
        """So many are behind us."""
        percent = round(100.0 * min(done, total) / max(total, 1), 1)
        if percent > self._percent:
            self._percent = percent
            self._say(f"openjd_progress: {percent:.1f}")

    def status(self, text: str) -> None:
        """What is being done."""
        self._say(f"openjd_status: {one_line(text)}")

    def fail(self, text: str) -> None:
        """Why it fails."""
        self._say(f"openjd_fail: {one_line(text)}")


def one_line(text: str) -> str:
    """A text without anything that could end a line or steer a terminal, and not too long."""
    plain = "".join(" " if _steers(letter) else letter for letter in text)
    line = " ".join(plain.split())
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 3]}..."


def _steers(letter: str) -> bool:
    return unicodedata.category(letter) in ("Cc", "Zl", "Zp", "Cs")

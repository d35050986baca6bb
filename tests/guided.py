"""The README and the guides as a reader meets them: fenced blocks in order, and one demo film."""

from __future__ import annotations

import doctest
import fcntl
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

__all__ = ["DOCUMENTS", "GUIDES", "README", "Block", "blocks", "same", "shared_film"]

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
GUIDES = sorted((ROOT / "examples" / "guides").glob("*.md"))
DOCUMENTS = [README, *GUIDES]

_FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, and its text with the last line's end."""

    language: str
    text: str


def blocks(document: Path) -> list[Block]:
    return [Block(*found) for found in _FENCED.findall(document.read_text(encoding="utf-8"))]


def same(shown: str, printed: str) -> bool:
    """Whether an output is as shown, where ``...`` stands for anything, as in doctest."""
    return doctest.OutputChecker().check_output(shown, printed, doctest.ELLIPSIS)


def shared_film(factory: pytest.TempPathFactory) -> Path:
    """The demo's film, made once for all processes of a test run. To be copied, never changed."""
    folder = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    with (folder / "film.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # a process that dies lets go
        if not (folder / "made").exists():
            command = [sys.executable, "-m", "gradeprep", "demo", "film", "--quiet"]
            subprocess.run(command, cwd=folder, check=True)
            (folder / "made").touch()
    return folder / "film"

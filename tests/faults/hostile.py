"""Readers that do what no reader may, to see that it is noticed."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from gradeprep.errors import TornFrameError

from .targets import Target

__all__ = ["hostile"]


def hostile(how: str) -> Target:
    """A target that misbehaves so: hangs, crashes, raises, or asks for too much memory."""
    return Target(
        how, ".bin", {"hang": _hang, "crash": _crash, "memory": _memory}.get(how, _raise), 1
    )


def _hang(path: Path) -> None:
    signal.alarm(1)  # what the suite waits for is longer
    time.sleep(60)


def _crash(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def _memory(path: Path) -> None:
    bytearray(5 * 2**30)


def _raise(path: Path) -> None:
    if not path.read_bytes():
        raise TornFrameError("is empty")
    raise KeyError("width")

"""One line on what the figures were measured with."""

from __future__ import annotations

import os
import platform
from contextlib import suppress
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from gradeprep.machine import processors

__all__ = ["told"]

_LIBRARIES = ("OpenEXR", "openimageio", "opencolorio", "numpy")


def told(workspace: Path) -> str:
    """Date, processor, system, versions, and the disk that frames went to."""
    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    return (
        f"{datetime.now(UTC):%Y-%m-%d}; {_processor()}, {processors()} of {os.cpu_count()} "
        f"processors; {platform.system()} {platform.machine()}; Python "
        f"{platform.python_version()}, {libraries}; frames in {_disk(workspace)}"
    )


def _processor() -> str:
    with suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or "unknown processor"


def _disk(workspace: Path) -> str:
    return "memory (/dev/shm)" if workspace.is_relative_to("/dev/shm") else "a temporary folder"

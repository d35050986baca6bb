"""What this machine offers: processors and memory."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

__all__ = ["memory", "processors"]

_CONTAINER = Path("/sys/fs/cgroup/memory.max")


def processors() -> int:
    """Number of processors that this process may use; at least 1."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


def memory() -> int | None:
    """Bytes of memory that this machine, or the container around us, has; None if unknown."""
    known = []
    with suppress(AttributeError, ValueError, OSError):
        known.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    with suppress(ValueError, OSError):  # "max" where there is no limit
        known.append(int(_CONTAINER.read_text(encoding="ascii")))
    return min(known, default=None)

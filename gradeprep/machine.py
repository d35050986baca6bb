"""What this machine offers: processors and memory."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

__all__ = ["free_memory", "keep_freed", "memory", "processors"]

_CONTAINER = Path("/sys/fs/cgroup/memory.max")
_CONTAINED = Path("/sys/fs/cgroup/memory.current")
_LINUX = Path("/proc/meminfo")

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Parameters of mallopt (glibc, malloc.h)."""

_KEPT = 256 * 2**20
"""Bytes of freed memory that a process may keep: a few chunks and planes of an 8K frame."""

_LARGE = 32 * 2**20
"""The largest that glibc takes as the size from which memory comes from the system."""


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


def free_memory() -> int | None:
    """Bytes of it that programs may take without pushing others out; None if unknown.

    Where the system does not report what is free, this is half of what there is.
    """
    total = memory()
    known = [] if total is None else [total // 2]
    with suppress(StopIteration, ValueError, OSError):
        lines = _LINUX.read_text(encoding="ascii").splitlines()
        free = next(line for line in lines if line.startswith("MemAvailable:"))
        known = [int(free.split()[1]) * 1024]
    with suppress(ValueError, OSError):
        within = int(_CONTAINER.read_text(encoding="ascii"))
        known.append(within - int(_CONTAINED.read_text(encoding="ascii")))
    return max(0, min(known)) if known else None


def keep_freed() -> None:
    """Let this process keep memory that it frees, for the next chunk and the next frame.

    The allocator of Linux (glibc) gives it back to the system at once, and asks for fresh pages,
    each cleared, a moment later: that doubled the time of a DPX frame. Others are left alone.
    """
    import ctypes  # slow to load, and nobody needs it to plan

    with suppress(AttributeError, OSError, TypeError):
        option = ctypes.CDLL(None).mallopt
        option(_MMAP_THRESHOLD, _LARGE)
        option(_TRIM_THRESHOLD, _KEPT)

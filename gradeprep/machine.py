"""What this machine offers: processors."""

from __future__ import annotations

import os

__all__ = ["processors"]


def processors() -> int:
    """Number of processors that this process may use; at least 1."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1

"""Runs one command and tells, as JSON, what it took. A program of its own, without site packages.

It stays small because a process counts as its own peak what its parent held when it was started.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from contextlib import suppress

_GLANCE = 0.02  # seconds


def _watch(pid: int, seen: list[int], done: threading.Event) -> None:
    """Peak memory of the process that plans, in KiB, where the system tells it (Linux).

    It is the first process, or the child that does the work for it, whichever is larger; what
    that one starts are workers.
    """
    while not done.wait(_GLANCE):
        with suppress(OSError):  # it has just ended
            seen.append(max(_peak(one) for one in (pid, *_children(pid))))


def _children(pid: int) -> list[int]:
    with open(f"/proc/{pid}/task/{pid}/children") as children:  # noqa: PTH123
        return [int(word) for word in children.read().split()]


def _peak(pid: int) -> int:
    with open(f"/proc/{pid}/status") as status:  # noqa: PTH123
        told = dict(line.split(":", 1) for line in status)
    return int(told.get("VmHWM", "0").split()[0])


def main() -> None:
    """Run ``sys.argv[1:]``."""
    seen: list[int] = [0]
    done = threading.Event()
    start = time.perf_counter()
    child = subprocess.Popen(
        sys.argv[1:], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    watcher = threading.Thread(target=_watch, args=(child.pid, seen, done))
    watcher.start()
    words = child.stderr.read() if child.stderr else b""
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - start
    done.set()
    watcher.join()
    child.returncode = os.waitstatus_to_exitcode(status)
    told = {
        "code": child.returncode,
        "words": words.decode(errors="replace")[-2000:],
        "wall": wall,
        "cpu": usage.ru_utime + usage.ru_stime,
        "peak": usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024),
        "own": max(seen) * 1024,
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main()

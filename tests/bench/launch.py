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
    """Peak memory of the first process alone, in KiB, where the system tells it (Linux)."""
    while not done.wait(_GLANCE):
        with suppress(OSError, StopIteration), open(f"/proc/{pid}/status") as status:  # noqa: PTH123
            line = next(line for line in status if line.startswith("VmHWM"))
            seen.append(int(line.split()[1]))


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
        "own": seen[-1] * 1024,
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main()

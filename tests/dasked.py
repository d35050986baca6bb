"""A real scheduler with real workers for tests: processes of their own, on the loopback.

Run as a program it is the scheduler and the nannies of its workers, says its address as JSON on
its first line of output, and goes on until its standard input ends.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import dask

__all__ = ["Dasked", "dasked"]


class Dasked:
    """A scheduler that runs.

    Attributes:
        address: Where.
        process: Process id of it, and of those who look after its workers.
        workers: Process ids of its workers at the beginning.
    """

    def __init__(self, process: int, told: Mapping[str, Any]) -> None:
        self.address: str = told["address"]
        self.process = process
        self.workers: list[int] = told["workers"]


@contextmanager
def dasked(
    workers: int = 2,
    *,
    env: Mapping[str, str] | None = None,
    tls: Mapping[str, str] | None = None,
    allowed_failures: int = 3,
) -> Iterator[Dasked]:
    """A scheduler and its workers, for as long.

    Args:
        workers: How many; one thread each, looked after by a nanny.
        env: Environment of all of them.
        tls: Files ``ca``, ``cert`` and ``key``; without TLS where left out.
        allowed_failures: Workers that a task may lose before it is given up.
    """
    asked = {"workers": workers, "tls": tls, "failures": allowed_failures}
    with subprocess.Popen(
        (sys.executable, __file__, json.dumps(asked)),
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    ) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, "the scheduler did not start"
        try:
            yield Dasked(process.pid, json.loads(line))
        finally:
            process.communicate()  # the end of its input ends it


async def _serve(asked: Mapping[str, Any]) -> None:
    from distributed import Nanny, Scheduler, Security

    tls = asked["tls"]
    named = {"ca_file": "ca"}
    for role in ("scheduler", "worker", "client"):
        named |= {f"{role}_cert": "cert", f"{role}_key": "key"}
    security = (
        Security(require_encryption=True, **{f"tls_{k}": tls[v] for k, v in named.items()})
        if tls
        else None
    )
    common = {"security": security, "host": "127.0.0.1", "dashboard": False}
    protocol = "tls://" if tls else "tcp://"
    async with Scheduler(
        protocol=protocol, port=0, dashboard_address="127.0.0.1:0", **common
    ) as scheduler:
        nannies = [
            Nanny(scheduler.address, nthreads=1, protocol=protocol, **common)
            for _ in range(asked["workers"])
        ]
        await asyncio.gather(*(nanny.start() for nanny in nannies))
        pids = [nanny.pid for nanny in nannies]
        print(json.dumps({"address": scheduler.address, "workers": pids}), flush=True)
        await asyncio.to_thread(sys.stdin.read)
        await asyncio.gather(*(nanny.close(timeout=2) for nanny in nannies))


def _main() -> None:
    asked = json.loads(sys.argv[1])
    dask.config.set({"distributed.scheduler.allowed-failures": asked["failures"]})
    asyncio.run(_serve(asked))


if __name__ == "__main__":
    _main()

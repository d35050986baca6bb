"""``--cluster`` and what goes with it: from the command line to an engine."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from gradeprep.cli.jobs import remarks
from gradeprep.errors import RequestError
from gradeprep.machine import processors
from gradeprep.runners.engine import Engine
from gradeprep.runners.local import Local

__all__ = ["chosen"]

_FILE = click.Path(path_type=Path)
_OPTIONS = (
    click.option(
        "--cluster",
        default="local",
        metavar="WHERE",
        help="Where frames run: local, processes:N, tcp://HOST:PORT or tls://HOST:PORT.",
    ),
    click.option("--tls-ca", type=_FILE, metavar="FILE", help="Who signed the scheduler; PEM."),
    click.option("--tls-cert", type=_FILE, metavar="FILE", help="Our certificate; PEM."),
    click.option("--tls-key", type=_FILE, metavar="FILE", help="Our private key; PEM."),
    click.option(
        "--insecure", is_flag=True, help="Let frames run through another machine without TLS."
    ),
)


def chosen(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that name a place, and the engine there as ``engine``.

    The command's own ``jobs`` and ``memory`` bound the frames at once on this machine.
    """

    @wraps(command)
    def with_engine(
        *,
        cluster: str,
        jobs: int | None,
        memory: int | None,
        tls_ca: Path | None,
        tls_cert: Path | None,
        tls_key: Path | None,
        insecure: bool,
        **asked: Any,
    ) -> None:
        keys = (tls_ca, tls_cert, tls_key)
        engine: Engine
        if cluster == "local" and not any(keys):
            report = remarks(asked["quiet"] or asked["as_json"])
            engine = Local(jobs or processors(), memory, report=report)
        else:
            _only_here(jobs=jobs, memory=memory)
            engine = _elsewhere(cluster, keys, insecure)
        command(engine=engine, **asked)

    for option in reversed(_OPTIONS):
        with_engine = option(with_engine)
    return with_engine


def _only_here(**bounds: int | None) -> None:
    for name, bound in bounds.items():
        if bound is not None:
            raise RequestError(
                "bounds what is done at once on this machine",
                key=f"--{name}",
                remedy="leave it out, or say --cluster processes:N",
            )


def _elsewhere(cluster: str, keys: tuple[Path | None, ...], insecure: bool) -> Engine:
    from gradeprep.runners.cluster import Cluster
    from gradeprep.runners.place import Keys, parse_place

    place = parse_place(cluster, keys=Keys(*keys), insecure=insecure)
    if place.exposed:
        _warn(f"{place.address} has no TLS: anybody on the network can run anything there")
    return Cluster(place, warn=_warn)


def _warn(line: str) -> None:
    click.echo(f"gradeprep: warning: {line}", err=True)

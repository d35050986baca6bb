"""Ways to a cluster: a scheduler that runs somewhere, or one of our own.

Each way is a context that gives a client of dask.distributed, and a number of seconds in which
workers must show up. Schedulers of our own speak TLS with certificates made for the run, on the
loopback too: without it, whoever else works on this machine could run code as us.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING, Any

from gradeprep.errors import EngineError
from gradeprep.runners.place import Place
from gradeprep.runners.pool import deaf

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["reached", "require"]

TIMEOUT = 5.0
"""Seconds that a scheduler gets to answer."""

_START = 60.0
"""Seconds that processes of this machine get to start."""

_NO_PAGE = "127.0.0.1:0"
"""The library cannot do without a server for its pages; this one serves none, to nobody else."""

_LOGGERS = ("distributed", "distributed.client", "tornado", "tornado.application", "asyncio")


def require(*modules: str) -> None:
    """Pass where the libraries of the extra are there.

    Raises:
        EngineError: One is not.
    """
    import importlib

    for module in modules:
        try:
            importlib.import_module(module)
        except ImportError as error:
            what = f"running on a cluster needs {module}, which is not there"
            raise EngineError(
                what, key="--cluster", remedy="pip install 'gradeprep[cluster]'"
            ) from error


@contextmanager
def reached(place: Place) -> Iterator[tuple[Client, float]]:
    """A client of the place's scheduler, and the seconds in which it must have workers.

    Raises:
        EngineError: There is no such scheduler, it does not trust us, or none can be started.
    """
    require("distributed", "cryptography")
    import dask

    settings = {"distributed.comm.timeouts.connect": TIMEOUT}
    with ExitStack() as life:
        life.enter_context(_quiet())
        life.enter_context(dask.config.set(settings))
        way = _processes if place.kind == "processes" else _scheduler
        yield life.enter_context(way(place))


@contextmanager
def _quiet() -> Iterator[None]:
    """Quiet the library's own log of workers that come and go."""
    before = {name: logging.getLogger(name).level for name in _LOGGERS}
    try:
        for name in _LOGGERS:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


@contextmanager
def _scheduler(place: Place) -> Iterator[tuple[Client, float]]:
    from distributed import Client

    security = _security(place)
    try:
        with deaf(), ThreadPoolExecutor(1) as aside:  # a notebook's thread has a loop of its own
            aside.submit(asyncio.run, _greet(place.address, security)).result()
        client = Client(place.address, timeout=TIMEOUT, security=security, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise _unreachable(place.address, error) from error
    with client:
        yield client, TIMEOUT


async def _greet(address: str, security: Any) -> None:
    """Shake hands and hang up: the library's client waits for ever where nobody answers."""
    from distributed.comm import connect

    asked = {} if security is None else security.get_connection_args("client")
    async with asyncio.timeout(TIMEOUT):
        comm = await connect(address, timeout=TIMEOUT, **asked)
    comm.abort()


def _security(place: Place) -> Any:
    """Our side's certificates; dask's configuration fills in what the command line leaves out."""
    from distributed import Security

    if not place.address.startswith("tls://"):
        return None
    keys = {
        "tls_ca_file": place.keys.ca,
        "tls_client_cert": place.keys.cert,
        "tls_client_key": place.keys.key,
    }
    security = Security(
        require_encryption=True, **{name: str(file) for name, file in keys.items() if file}
    )
    missing = [name for name in keys if getattr(security, name) is None]
    if missing:
        raise EngineError(
            "TLS needs certificates",
            key="--cluster",
            remedy="give --tls-ca, --tls-cert and --tls-key, or set distributed.comm.tls in "
            "dask's configuration",
        )
    return security


def _unreachable(address: str, error: BaseException) -> EngineError:
    """Why, as far as the chain of causes goes."""
    chain: list[BaseException] = []
    cause: BaseException | None = error
    while cause is not None and cause not in chain:
        chain.append(cause)
        cause = cause.__cause__ or cause.__context__
    tls = next((one for one in chain if isinstance(one, ssl.SSLError)), None)
    if tls is not None:
        why = (
            getattr(tls, "verify_message", "") or (tls.reason or str(tls)).replace("_", " ").lower()
        )
        remedy = "give the certificates that this scheduler trusts, and the one it was signed with"
        return EngineError(f"{address}: no trust: {why}", key="--cluster", remedy=remedy)
    remedy = "start one there (dask scheduler), or look at address and network"
    return EngineError(f"{address}: no scheduler answers", key="--cluster", remedy=remedy)


@contextmanager
def _processes(place: Place) -> Iterator[tuple[Client, float]]:
    from distributed import Client, LocalCluster, Security

    resource_tracker.ensure_running()  # starting it later would make its thread hear again
    with deaf():  # threads and processes that start in here leave Ctrl-C to us
        cluster = LocalCluster(
            n_workers=place.count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            protocol="tls://",
            security=Security.temporary(),
            dashboard_address=_NO_PAGE,
            scheduler_kwargs={"dashboard": False},
            silence_logs=logging.CRITICAL,
        )
    with cluster, Client(cluster, set_as_default=False) as client:
        yield client, _START

"""The desk as an ASGI application, and serving it on the loopback until somebody ends it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

import anyio
import uvicorn
from starlette.applications import Starlette
from starlette.middleware import Middleware

from gradeprep.errors import RequestError
from gradeprep.machine import processors
from gradeprep.review.desk.access import Guard, Pass
from gradeprep.review.desk.answers import HANDLERS
from gradeprep.review.desk.routes import ROUTES
from gradeprep.review.desk.state import Desk

__all__ = ["HOST", "application", "listen", "serve"]

HOST = "127.0.0.1"


def application(desk: Desk, key: Pass, *, leaving: Callable[[], bool] = lambda: False) -> Starlette:
    """The desk, guarded.

    Args:
        desk: What is open.
        key: What opens it.
        leaving: Whether the server is about to end, so that no answer goes on for ever.
    """
    app = Starlette(
        routes=ROUTES,
        middleware=[Middleware(partial(Guard, key=key))],
        exception_handlers=HANDLERS,
    )
    app.state.desk = desk
    app.state.leaving = leaving
    app.state.quick = anyio.CapacityLimiter(max(2, processors()))
    app.state.slow = anyio.CapacityLimiter(1)
    return app


def listen(port: int) -> socket.socket:
    """A socket on the loopback; port 0 is any that is free.

    Raises:
        RequestError: The port is taken, or not ours to take.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
        listening.listen(128)  # who comes before the server is ready waits
    except OSError as error:
        listening.close()
        raise RequestError(
            f"port {port} cannot be used: {error.strerror}",
            key="--port",
            remedy="name another one, or leave it out for any that is free",
        ) from error
    return listening


class _Server(uvicorn.Server):
    """A server that leaves the signals to its starter, and ends on request."""

    def __init__(self, config: uvicorn.Config, stop: threading.Event) -> None:
        super().__init__(config)
        self._stop = stop

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def on_tick(self, counter: int) -> bool:
        return self._stop.is_set() or await super().on_tick(counter)


def serve(desk: Desk, key: Pass, listening: socket.socket, stop: threading.Event) -> bool:
    """Serve a desk until ``stop`` is set.

    Returns:
        Whether a run of a shot was still going, and was interrupted; its frames in flight have
        been finished.
    """
    app = application(desk, key, leaving=stop.is_set)
    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        lifespan="off",
        ws="none",
        server_header=False,
        timeout_graceful_shutdown=2,
    )
    try:
        _Server(config, stop).run(sockets=[listening])
    finally:
        interrupted = desk.work.running
        desk.close()
        listening.close()
    return interrupted

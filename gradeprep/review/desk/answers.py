"""What the desk answers besides what was asked for: errors in one line, pages of their own."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from gradeprep.errors import (
    GradeprepError,
    MissingPlateError,
    OutputRefusedError,
    PixelError,
    PlateError,
    RequestError,
    SidecarError,
)
from gradeprep.review.desk.frames import UnknownError
from gradeprep.review.desk.session import ChangedError

__all__ = ["HANDLERS", "LeftError", "own_page", "plain", "problem", "status_of"]

_STATUS: tuple[tuple[type[GradeprepError], int], ...] = (
    (UnknownError, 404),
    (SidecarError, 404),
    (ChangedError, 409),
    (OutputRefusedError, 409),
    (MissingPlateError, 410),
    (RequestError, 422),
    (PlateError, 422),
    (PixelError, 422),
)


class LeftError(Exception):
    """Whoever asked has left; nobody waits for the answer."""


def status_of(error: GradeprepError) -> int:
    """HTTP status (RFC 9110) of an error; the first kind that fits."""
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 500)


def problem(line: str, status: int, **text: str | None) -> Response:
    """An error in one line, as JSON."""
    return JSONResponse({"error": line, **text}, status)


def plain(line: str) -> str:
    """A line as a header can hold it."""
    return " ".join(line.split()).encode("latin-1", "replace").decode("latin-1")


async def _known(request: Request, error: Exception) -> Response:
    assert isinstance(error, GradeprepError)
    data = {"file": error.file, "what": error.what, "remedy": error.remedy}
    return problem(str(error), status_of(error), **data)


async def _unknown(request: Request, error: Exception) -> Response:
    kind = type(error).__name__
    line = f"internal error: {kind}: {' '.join(str(error).split())}; report it"
    return problem(line, 500)


async def _left(request: Request, error: Exception) -> Response:
    return Response(status_code=499)


async def _http(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 500)
    lines = {404: "the desk has no such page", 405: "the desk does not take this method here"}
    headers = getattr(error, "headers", None)
    return JSONResponse(
        {"error": lines.get(status, "the desk cannot do that")}, status, headers=headers
    )


HANDLERS = {
    GradeprepError: _known,
    LeftError: _left,
    404: _http,
    405: _http,
    Exception: _unknown,
}


def own_page(html: str, policy: str) -> Response:
    """A page that stands alone, under a policy of its own."""
    text = f"{policy}; frame-ancestors 'none'"
    return HTMLResponse(html, headers={"Content-Security-Policy": text})

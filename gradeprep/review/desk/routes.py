"""What a page may ask of the desk. All paths, and nothing else:

================================ ==================================================================
GET ``/``, ``/page/NAME``        the page and its files
GET ``/api/recipe``              the recipe: shots, stages, views, revision, ``changed``
GET ``/api/light``               ``shot frame AREA``: RGBA half floats, scene-linear, no stage
                                 applied; AREA is ``side`` for the whole frame, or ``across down
                                 width height`` for a place of it, pixel for pixel; what came of it
                                 in ``X-Left``, ``X-Top``, ``X-Width``, ``X-Height``,
                                 ``X-Plate-Width``, ``X-Plate-Height``, ``X-Pixel-Aspect``
GET ``/api/shader``              ``display view``: GLSL ES 3.0 and its tables
GET ``/api/shader/texture``      ``display view id``: float32 values of a table
GET ``/api/picture``             ``shot frame AREA display view pull lift balance``: a PNG, and the
                                 same headers
GET ``/api/overlay``             ``shot frame AREA kind``: 8-bit PNG of one channel; ``clip``, the
                                 number of clipped channels, or ``noise``, 0..255 over -1..+7 stops
                                 of signal to noise; one line on it in ``X-Note``
GET ``/api/tones``               ``shot frame pull lift balance``: shares by tone, before and after
POST ``/api/reading``            ``{shot, frame, meter, params}``: a meter's reading
POST ``/api/save``               ``{revision, shots: {name: {pull, lift, balance}}}``: the recipe
                                 then; 409 where it is another one by now
POST ``/api/undo``, ``/reload``  ``{revision}``, ``{}``: the recipe then
POST ``/api/run``, ``/stop``     ``{shot}``, ``{}``; 409 while one runs
GET ``/api/progress``            how the run goes, as server-sent events
GET ``/api/report``              ``shot``: the report of its sidecar
================================ ==================================================================

A page names shots and frames of the recipe and never a file. An error is JSON: ``error``, the
whole line, and its ``file``, ``what`` and ``remedy``; 404 no such shot or frame, 409 the recipe or
the results are somebody else's by now, 410 a plate is not there any more, 422 anything that is
wrong with a request, a recipe or a frame.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import TypeVar

import anyio
from anyio.to_thread import run_sync
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    JSONResponse,
    PlainTextResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from gradeprep.errors import GradeprepError, RequestError
from gradeprep.review.desk import answers
from gradeprep.review.desk.light import Area, CloseUp, Small, half_rgba
from gradeprep.review.desk.request import body, inner, share, text, whole
from gradeprep.review.desk.state import Desk
from gradeprep.review.desk.trial import parsed

__all__ = ["PAGE", "ROUTES"]

PAGE = Path(__file__).parent / "page"
TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}

SIDES = range(16, 4097)
"""Longest sides, in pixels, that a picture may be asked for."""

CLOSE = range(1, 4097)
"""Sides of a close-up."""

_GLANCE = 0.2
_ALIVE = 15.0

T = TypeVar("T")


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


async def _heavy(request: Request, work: Callable[[], T], *, slow: bool = False) -> T:
    """Work on a thread, a few at a time, and none for who has left.

    What may look at a whole plate is ``slow``: it waits for its own kind, so that pictures never
    wait for it.
    """
    async with request.app.state.slow if slow else request.app.state.quick:
        if await request.is_disconnected():
            raise answers.LeftError
        return await run_sync(work)


def _place(request: Request) -> tuple[str, int]:
    return text(request.query_params, "shot"), whole(request.query_params, "frame")


def _area(request: Request) -> Area:
    query = request.query_params
    if "across" not in query:
        return whole(query, "side", SIDES)
    return CloseUp(
        across=share(query, "across"),
        down=share(query, "down"),
        width=whole(query, "width", CLOSE),
        height=whole(query, "height", CLOSE),
    )


def _sizes(small: Small) -> dict[str, str]:
    """What is seen of a frame, as headers."""
    data = {
        "X-Left": small.corner[1],
        "X-Top": small.corner[0],
        "X-Width": small.absent.shape[1],
        "X-Height": small.absent.shape[0],
        "X-Plate-Width": small.size[1],
        "X-Plate-Height": small.size[0],
        "X-Pixel-Aspect": small.aspect,
    }
    return {name: str(value) for name, value in data.items()}


async def _index(request: Request) -> Response:
    """The page."""
    return FileResponse(PAGE / "index.html", media_type=TYPES[".html"])


async def _page(request: Request) -> Response:
    """A file of the page: the name is looked up among those that are there, and nowhere else."""
    files = {path.name: path for path in PAGE.iterdir() if path.suffix in TYPES}
    path = files.get(request.path_params["name"])
    if path is None:
        return answers.problem("the page has no such file", 404)
    return FileResponse(path, media_type=TYPES[path.suffix])


async def _recipe(request: Request) -> Response:
    """The recipe."""
    return JSONResponse(await run_sync(_desk(request).recipe))


async def _light(request: Request) -> Response:
    """A frame's light."""
    (shot, frame), area, desk = _place(request), _area(request), _desk(request)

    def work() -> tuple[Small, bytes]:
        small = desk.small(shot, frame, area)
        return small, half_rgba(small)

    small, content = await _heavy(request, work)
    return Response(content, headers=_sizes(small), media_type="application/octet-stream")


async def _shader(request: Request) -> Response:
    """A view as a shader."""
    display, view = (text(request.query_params, key) for key in ("display", "view"))
    found = await _heavy(request, lambda: _desk(request).shader(display, view))
    return JSONResponse(found.as_data())


async def _texture(request: Request) -> Response:
    """The values of a table of a shader."""
    display, view, name = (text(request.query_params, key) for key in ("display", "view", "id"))
    found = await _heavy(request, lambda: _desk(request).shader(display, view))
    for one in found.textures:
        if one.id == name:
            return Response(one.values, media_type="application/octet-stream")
    return answers.problem("this view has no such table", 404)


async def _picture(request: Request) -> Response:
    """A frame as the server draws it."""
    (shot, frame), area, desk = _place(request), _area(request), _desk(request)
    query = request.query_params
    display, view = (text(query, key) for key in ("display", "view"))
    tried = parsed(query)

    def work() -> tuple[Small, bytes]:
        drawn = desk.picture(shot, frame, area, tried, display, view)
        return desk.small(shot, frame, area), drawn

    small, found = await _heavy(request, work)
    return Response(found, headers=_sizes(small), media_type="image/png")


async def _overlay(request: Request) -> Response:
    """What lies over a picture."""
    (shot, frame), area, desk = _place(request), _area(request), _desk(request)
    kinds = {"clip": desk.clip, "noise": desk.noise}
    draw = kinds.get(text(request.query_params, "kind"))
    if draw is None:
        raise RequestError(f"must be one of {', '.join(kinds)}", key="kind")
    found, note = await _heavy(request, lambda: draw(shot, frame, area), slow=True)
    return Response(found, headers={"X-Note": answers.plain(note)}, media_type="image/png")


async def _tones(request: Request) -> Response:
    """The tones of a frame."""
    (shot, frame), desk = _place(request), _desk(request)
    tried = parsed(request.query_params)
    return JSONResponse(await _heavy(request, lambda: desk.tones(shot, frame, tried)))


async def _reading(request: Request) -> Response:
    """What a meter reads."""
    found, desk = await body(request), _desk(request)
    shot, meter, params = text(found, "shot"), text(found, "meter"), inner(found, "params")
    return JSONResponse(await _heavy(request, lambda: desk.reading(shot, meter, params), slow=True))


async def _save(request: Request) -> Response:
    """Write other stages into the recipe."""
    found, desk = await body(request), _desk(request)
    revision, shots = text(found, "revision"), inner(found, "shots")
    changes = {name: inner(shots, name) for name in shots}
    return JSONResponse(await run_sync(lambda: desk.save(revision, changes)))


async def _undo(request: Request) -> Response:
    """Take the last save back."""
    found, desk = await body(request), _desk(request)
    revision = text(found, "revision")
    return JSONResponse(await run_sync(lambda: desk.undo(revision)))


async def _reload(request: Request) -> Response:
    """Reload the recipe."""
    await body(request)
    return JSONResponse(await run_sync(_desk(request).reload))


async def _run(request: Request) -> Response:
    """Begin to run a shot."""
    found, desk = await body(request), _desk(request)
    shot = text(found, "shot")
    await run_sync(lambda: desk.run(shot))
    return JSONResponse({})


async def _stop(request: Request) -> Response:
    """Begin no other frame."""
    await body(request)
    _desk(request).work.stop()
    return JSONResponse({})


async def _progress(request: Request) -> Response:
    """How a run goes."""
    desk, leaving = _desk(request), request.app.state.leaving

    async def events() -> AsyncIterator[str]:
        before, quiet = None, 0.0
        while not leaving():
            now = desk.work.now
            if now is not before:
                yield f"data: {json.dumps(now.as_data())}\n\n"
                before, quiet = now, 0.0
            elif quiet > _ALIVE:  # a word now and then shows whether the page is still there
                yield ": still here\n\n"
                quiet = 0.0
            await anyio.sleep(_GLANCE)
            quiet += _GLANCE

    return StreamingResponse(events(), media_type="text/event-stream")


async def _report(request: Request) -> Response:
    """The report of a shot that was run; in a window of its own, so an error is a plain line."""
    shot, desk = text(request.query_params, "shot"), _desk(request)
    try:
        html, policy = await _heavy(request, lambda: desk.report(shot), slow=True)
    except GradeprepError as error:
        return PlainTextResponse(f"{error}\n", answers.status_of(error))
    return answers.own_page(html, policy)


ROUTES = [
    Route("/", _index),
    Route("/page/{name}", _page),
    Route("/api/recipe", _recipe),
    Route("/api/light", _light),
    Route("/api/shader", _shader),
    Route("/api/shader/texture", _texture),
    Route("/api/picture", _picture),
    Route("/api/overlay", _overlay),
    Route("/api/tones", _tones),
    Route("/api/progress", _progress),
    Route("/api/report", _report),
    Route("/api/reading", _reading, methods=["POST"]),
    Route("/api/save", _save, methods=["POST"]),
    Route("/api/undo", _undo, methods=["POST"]),
    Route("/api/reload", _reload, methods=["POST"]),
    Route("/api/run", _run, methods=["POST"]),
    Route("/api/stop", _stop, methods=["POST"]),
]

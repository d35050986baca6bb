"""Plates as pictures in a notebook: ``%load_ext gradeprep.review.notebook``.

After that, a plate's view at the end of a cell shows the plate's first frame through the config's
default display and view. Readings, plans, frames and sidecars show as tables without it.
"""

from __future__ import annotations

from typing import Any

from gradeprep.model.frame import pixel_aspect
from gradeprep.pipeline.view import View
from gradeprep.review.encoded import encoded
from gradeprep.review.shown import screen

__all__ = ["load_ipython_extension", "picture_of"]

_SIDE = 640


def picture_of(view: View) -> bytes:
    """The plate's first frame as a PNG, its longest side at most 640 pixels.

    Raises:
        GradeprepError: The frame cannot be read, or the config's default view does not build.
    """
    frame = view.frames.first
    shown = screen(view.colour, view.working)
    picture = shown.picture(
        view.pixels(frame),
        side=_SIDE,
        broken=view.broken(frame),
        aspect=pixel_aspect(view.header(frame)),
    )
    return encoded(picture, "png")


def load_ipython_extension(ipython: Any) -> None:
    """What a notebook calls for ``%load_ext``."""
    formatter = ipython.display_formatter.formatters["image/png"]
    formatter.for_type(View, picture_of)

"""What commands share that draw a picture: their options, and the way to a screen."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from gradeprep import showlook
from gradeprep.errors import RequestError
from gradeprep.model.recipe import LOOK_FILES, LookAsk
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import PlateView
from gradeprep.review import svgplot
from gradeprep.review.imagebytes import may_write, save_png
from gradeprep.review.screen import Bytes, Screen, screen

__all__ = ["PictureAsk", "options"]

F = TypeVar("F", bound=Callable[..., Any])


def options(command: F) -> F:
    """The options of a command that can draw what it found."""
    for option in (
        click.option("--overwrite", is_flag=True, help="Write over a picture that exists."),
        click.option("--look-space", metavar="NAME", help="Colour space that a look's file takes."),
        click.option("--look", metavar="LOOK", help="Show's look: of the config, or CLF, .cube."),
        click.option("--view", metavar="VIEW", help="View of the display [its default one]."),
        click.option("--display", metavar="NAME", help="Display to show on [the config's first]."),
        click.option(
            "--picture",
            type=click.Path(path_type=Path),
            metavar="OUT.png",
            help="Draw it, on one sheet.",
        ),
    ):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureAsk:
    """A picture as the command line asks for it."""

    path: Path
    overwrite: bool
    display: str | None
    view: str | None
    look: str | None
    look_space: str | None

    @classmethod
    def of(cls, asked: Mapping[str, Any]) -> PictureAsk | None:
        """From a command's options; None where no picture is asked for.

        Raises:
            UsageError: An option about a picture, and no picture.
        """
        given = {name: asked[name] for name in ("display", "view", "look", "look_space")}
        if asked["picture"] is not None:
            return cls(path=asked["picture"], overwrite=asked["overwrite"], **given)
        named = [*(name for name, value in given.items() if value)]
        if named or asked["overwrite"]:
            option = (named or ["overwrite"])[0].replace("_", "-")
            raise click.UsageError(f"--{option} is about a picture; ask for one with --picture")
        return None

    def ready(self, views: Iterable[PlateView]) -> Screen:
        """Proof that the picture can be drawn and written; how it will be shown.

        Args:
            views: The plate it shows first; then others whose files it must not be.

        Raises:
            RequestError: It can not.
        """
        opened = [view for view in views if isinstance(view, View)]
        svgplot.needed()
        sources = (view.found.sequence.path(frame) for view in opened for frame in view.frames)
        may_write(self.path, sources=sources, overwrite=self.overwrite)
        first = opened[0]
        look = self._look()
        order = None
        if look is not None:
            order = showlook.find(first.colour, first.working, look, Path())
        return screen(first.colour, first.working, display=self.display, view=self.view, look=order)

    def _look(self) -> LookAsk | None:
        if self.look is None:
            if self.look_space is not None:
                raise RequestError("names no look", key="--look-space", remedy="add --look")
            return None
        kind = "file" if Path(self.look).suffix.lower() in LOOK_FILES else "name"
        try:
            return LookAsk.model_validate({kind: self.look, "space": self.look_space})
        except ValueError as error:
            raise RequestError(_plain(error), key="--look", remedy="see --help") from error

    def save(self, sheet: Bytes) -> None:
        """Write the sheet under the name asked for."""
        save_png(self.path, sheet)


def _plain(error: ValueError) -> str:
    """The first thing that a model says against its input."""
    found: list[Any] = getattr(error, "errors", list)()
    return str(found[0]["msg"]).removeprefix("Value error, ") if found else str(error)

"""What a picture is looked at through: a display of the config and a view of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import PyOpenColorIO as ocio

from gradeprep.colour import Colour
from gradeprep.conversions import Convert, applied
from gradeprep.errors import ColourError
from gradeprep.model.wording import hinted

__all__ = ["Look", "find_look", "shown"]


@dataclass(frozen=True, slots=True)
class Look:
    """A display and a view of it, as the config names them."""

    display: str
    view: str

    def __str__(self) -> str:
        return f"{self.display}, {self.view}"


def find_look(colour: Colour, display: str | None, view: str | None) -> Look:
    """A display and a view of it, whatever the case of their letters.

    The config's default display for None, and the display's default view.

    Raises:
        ColourError: Unknown (the message lists close matches), a view that shows data as they
            are, or one that does not build.
    """
    config = colour.config
    display = str(config.getDefaultDisplay()) if display is None else display
    display = _named(display, config.getDisplaysAll(), "display", colour.name)
    if view is None:
        view = str(config.getDefaultView(display))
    else:
        view = _named(view, config.getViews(display), f"view of '{display}'", colour.name)
    space = config.getColorSpace(config.getDisplayViewColorSpaceName(display, view))
    if space is not None and space.isData():
        raise ColourError(
            f"view '{view}' of '{display}' shows the numbers, not the light behind them",
            key="--view",
            remedy="name a view that shows the picture",
        )
    return Look(display, view)


def _named(name: str, known: Iterable[str], kind: str, config: str) -> str:
    names = {item.lower(): item for item in known}
    if name.lower() in names:
        return names[name.lower()]
    raise ColourError(
        f"config '{config}' has no {kind} named '{name}'",
        key=f"--{kind.split()[0]}",
        remedy=hinted(name, names.values()),
    )


def shown(colour: Colour, working: str, look: Look) -> Convert:
    """In-place float32 conversion from scene-linear light to a display's signal.

    Raises:
        ColourError: The view does not build, such as where its LUT is missing.
    """
    transform = ocio.DisplayViewTransform(working, look.display, look.view)
    try:
        return applied(colour.config.getProcessor(transform))
    except (ocio.Exception, ocio.ExceptionMissingFile) as error:
        raise ColourError(
            f"view '{look.view}' of '{look.display}' does not build: {error}",
            file=colour.name,
            key="--view",
            remedy="correct the config, or name another view",
        ) from error

"""The show's look: between the normalized light and the view it is looked at through.

It is for eyes only. No result is written with it, and it is no part of what a decision's digest
is made of: a look that changes makes no plate stale.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

from gradeprep.colour import Colour
from gradeprep.conversions import Convert, applied
from gradeprep.errors import ColourError
from gradeprep.model.order import LookOrder
from gradeprep.model.recipe import LookAsk
from gradeprep.model.wording import hinted
from gradeprep.plates.regular import content
from gradeprep.transforms import from_file

__all__ = ["find", "looked"]

_KEY = "colour.look"
_MAX_BYTES = 64 * 2**20  # a 65-cubed table as text takes 8 MB


def find(colour: Colour, working: str, ask: LookAsk, folder: Path) -> LookOrder:
    """The look that a recipe asks for, proved to build.

    Args:
        colour: The config.
        working: Scene-linear space that pictures come in.
        ask: What the recipe says.
        folder: Where the recipe stands; a relative file starts there.

    Raises:
        ColourError: The config has no such look, the file is none, or it does not build.
    """
    if ask.file is None:
        order = LookOrder(name=_named(colour, str(ask.name)))
    else:
        path = (folder / ask.file).resolve()
        space = working if ask.space is None else colour.space(ask.space, key=f"{_KEY}.space")
        if path.suffix.lower() == ".cube" and colour.is_linear(space):
            raise ColourError(
                f"a .cube clamps at 0 and 1, and '{space}' is scene-linear: its highlights end "
                "2.5 stops above grey",
                file=path,
                key=f"{_KEY}.space",
                remedy="name the log space that it was made in, or give a CLF",
            )
        order = LookOrder(name=str(path), space=space, sha256=_hash(path))
    looked(colour, working, order)
    return order


def looked(colour: Colour, working: str, order: LookOrder) -> Convert:
    """In-place float32 conversion of finite scene-linear light in the working space by a look.

    Args:
        colour: The config.
        working: The working space; light comes in it and goes in it.
        order: The look.

    Raises:
        ColourError: The look does not build, or its file is not the one that was meant.
    """
    if not order.space:
        return _of_config(colour, working, order.name)
    path = Path(order.name)
    if _hash(path) != order.sha256:
        raise ColourError(
            "is not the look that was recorded",
            file=path,
            remedy="bring the file back, or name the look that is meant",
        )
    there = colour.convert(working, order.space)
    look = from_file(path, tetrahedral=True)
    back = colour.convert(order.space, working)
    steps = [step for step in (there, look, back) if step is not None]

    def apply(rgb: npt.NDArray[np.float32]) -> None:
        for step in steps:
            step(rgb)

    return apply


def _named(colour: Colour, name: str) -> str:
    known = {str(look).lower(): str(look) for look in colour.config.getLookNames()}
    if name.lower() in known:
        return known[name.lower()]
    raise ColourError(
        f"config '{colour.name}' has no look '{name}'",
        key=_KEY,
        remedy=f"{hinted(name, known.values())}; or name a file",
    )


def _of_config(colour: Colour, working: str, name: str) -> Convert:
    transform = ocio.LookTransform(src=working, dst=working, looks=name)
    try:
        return applied(colour.config.getProcessor(transform))
    except (ocio.Exception, ocio.ExceptionMissingFile) as error:
        raise ColourError(
            f"look '{name}' does not build: {' '.join(str(error).split())}",
            file=colour.name,
            key=_KEY,
            remedy="repair the config, or name another look",
        ) from error


def _hash(path: Path) -> str:
    try:
        return hashlib.sha256(content(path, _MAX_BYTES)).hexdigest()
    except FileNotFoundError:
        raise ColourError(
            "no such look", file=path, key=_KEY, remedy="name a CLF or .cube file"
        ) from None
    except OSError as error:
        raise ColourError(f"cannot be read: {error.strerror}", file=path, key=_KEY) from error

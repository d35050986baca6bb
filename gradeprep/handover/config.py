"""The OpenColorIO config that a decision was made with, and its spaces as words of file names."""

from __future__ import annotations

import re

from gradeprep import colour
from gradeprep.colour import Colour
from gradeprep.errors import ColourError
from gradeprep.model.shot import ShotDocument

__all__ = ["config_of", "space_word"]


def config_of(record: ShotDocument) -> Colour:
    """The config of a sidecar, as it was then.

    Raises:
        ColourError: It is not there any more, or is another one now.
    """
    found = colour.load(record.colour.config, record.colour.context)
    if found.sha256 != record.colour.sha256:
        raise ColourError(
            "the config is not the one that the shot was normalized with",
            shot=record.shot,
            file=record.colour.config,
            remedy="bring the old one back, or run the shot again",
        )
    return found


def space_word(space: str) -> str:
    """A space's name in letters, digits and dashes.

    >>> space_word("Linear P3-D65")
    'linear-p3-d65'
    """
    return re.sub(r"[^a-z0-9]+", "-", space.lower()).strip("-")

"""The steps of a compensation: out of the log space, a gain of the light, and to the monitor."""

from __future__ import annotations

import PyOpenColorIO as ocio

from gradeprep.colour import Colour
from gradeprep.looks import Look
from gradeprep.transforms import Steps, gain_matrix, gained

__all__ = ["build"]


def build(
    colour: Colour, space: str, working: str, factor: float, look: Look | None = None
) -> Steps:
    """The steps that multiply the light of coded values, with no name of the config left in them.

    Args:
        colour: The config.
        space: Colour space of the values.
        working: Scene-linear space that the light is multiplied in.
        factor: Linear gain.
        look: Display and view to look through; None for the way back into the space.

    Raises:
        ColourError: A LUT or context variable is missing, or the path does not build.
    """
    gains = (factor, factor, factor)
    if look is None:
        return gained(colour, space, working, gains)
    colour.convert(space, working)  # its error says more than that of a group
    there = ocio.ColorSpaceTransform(space, working)
    shown = ocio.DisplayViewTransform(working, look.display, look.view)
    group = ocio.GroupTransform([there, gain_matrix(gains), shown])
    return colour.config.getProcessor(group).createGroupTransform()

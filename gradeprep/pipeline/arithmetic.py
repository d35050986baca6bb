"""Which arithmetic serves the layers of a frame: chosen once, in the plan."""

from __future__ import annotations

from collections.abc import Iterable

from gradeprep.colour import Colour
from gradeprep.model.order import ColourOrder
from gradeprep.model.pixeltypes import PixelType
from gradeprep.pipeline import kernels
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.types import kernel_type

__all__ = ["chosen_kernels"]


def chosen_kernels(
    decision: Decision,
    space: Colour,
    order: ColourOrder,
    *,
    types: Iterable[PixelType],
    wanted: PixelType,
) -> tuple[str, ...]:
    """Name of the cheapest exact kernel for each layer.

    Args:
        decision: The stages of the frame.
        space: The config.
        order: The spaces.
        types: Type of each layer's channels in the source.
        wanted: Type of the result's channels; ``source`` keeps each layer's own.
    """
    curve = space.curve(order.source, order.working) is not None
    to_linear = space.to_linear(order.source, order.result) is not None
    return tuple(
        kernels.choose(
            decision,
            same_space=order.source == order.result,
            linear=space.is_linear(order.source),
            working=order.source == order.working,
            source=kernel_type(kind),
            wanted=kernel_type(kind if wanted == "source" else wanted),
            curve=curve,
            to_linear=to_linear,
        )
        for kind in types
    )

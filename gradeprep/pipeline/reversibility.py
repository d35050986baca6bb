"""Whether a decision can be taken back, and how exactly: stated before anything is written."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from gradeprep.model.order import ColourOrder, OutputOrder
from gradeprep.model.record import Reversible
from gradeprep.pipeline.decision import Decision
from gradeprep.pipeline.survey import Survey
from gradeprep.plates import formats

__all__ = ["lossy_codec", "reversible"]


def lossy_codec(found: Survey, output: OutputOrder) -> str | None:
    """Name of the result's compression when it changes pixels by itself."""
    writer = formats.writable(output.format)
    for part in found.first.parts:
        name = part.compression if output.compression == "source" else output.compression
        kinds = [k if output.type == "source" else output.type for k in part.channels.values()]
        if writer.lossy(name, kinds):
            return name
    return None


def reversible(
    decisions: Sequence[Decision],
    used: Collection[str],
    found: Survey,
    order: ColourOrder,
    output: OutputOrder,
) -> Reversible:
    """What `restore` can promise.

    The bound of a lift: the result's rounding, half a unit in the last place and in the worst
    mantissa a relative 2**-11 in half, is magnified by 1/slope where the curve is flattest, and
    the restored value is rounded once more. The gain of a colour is read from its luminance, whose
    rounding is another one than the channel's; where a curve is steep, the two may add up to 2.
    """
    codec = lossy_codec(found, output)
    if codec:
        return _not(f"compression {codec} changes pixels by itself")
    if output.type != "source":
        return _not("the result's type is not the source's")
    if order.source != order.result:
        return _not("the colour space was converted; rounding in it is not bounded")
    if set(used) == {"carry"}:
        return Reversible(exact=True, ulp=0.0, why="nothing was changed")
    slopes = {decision.slope for decision in decisions}
    known = {slope for slope in slopes if slope is not None}
    if len(known) < len(slopes):
        return _not("a stage has no inverse")
    coded = not {"curve", "code-table"}.isdisjoint(used)
    coded = coded or ("light" in used and not _no_curve(order))
    if found.type not in ("half", "float") or coded:
        return _not("values were rounded to codes of a curve; the error is that rounding")
    gains = {decision.gains for decision in decisions}
    if min(known) < 1.0 or "light" in used or None in gains:
        return Reversible(
            exact=False,
            ulp=round(max(1.0 / min(known), 2.0) + 0.5, 4),
            why="a curve's rounding is magnified where it is flattest, and rounded once more; "
            "holds where no underflow is counted and no channel is negative",
        )
    if all(gain is not None and _whole(gain) for gain in gains):
        return Reversible(
            exact=True, ulp=0.0, why="whole stops; bit-identical where no underflow is counted"
        )
    return Reversible(
        exact=False, ulp=1.0, why="fractional stops round once each way, where none underflows"
    )


def _not(why: str) -> Reversible:
    return Reversible(exact=False, ulp=None, why=why)


def _no_curve(order: ColourOrder) -> bool:
    return order.source == order.working == order.result


def _whole(gains: Sequence[float]) -> bool:
    """Whether every gain is a power of two."""
    return all(math.frexp(gain)[0] == 0.5 for gain in gains)

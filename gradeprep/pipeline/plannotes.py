"""What the plan itself notices about a shot, besides what its checks say."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from gradeprep.model.order import OutputOrder
from gradeprep.model.record import Finding
from gradeprep.pipeline.reversibility import lossy_codec
from gradeprep.pipeline.survey import Survey

__all__ = ["notes"]


def notes(found: Survey, output: OutputOrder, used: Collection[str]) -> Iterator[Finding]:
    """Findings of the plan; none of them stops a shot."""
    if not found.groups:
        yield Finding(
            severity="note",
            what="the plate has no colour channels (R, G, B or Y); it is carried as it is",
            remedy="name the layer that is colour with layers",
        )
    elif found.left_alone:
        yield Finding(
            severity="note",
            what=f"layers that look like colour are left as they are: {_named(found.left_alone)}",
            remedy="name them in layers to have them pulled too",
        )
    codec = lossy_codec(found, output)
    if codec:
        yield Finding(
            severity="note" if set(used) == {"carry"} else "warn",
            what=f"compression {codec} is lossy: it changes pixels by itself, beyond the decision",
            remedy="say compression: zip (or piz) to write exactly what was decided",
        )


def _named(layers: tuple[str, ...]) -> str:
    return ", ".join(f"'{layer}'" for layer in layers)

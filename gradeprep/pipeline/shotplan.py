"""One shot's plan: every number decided, and everything refused that could not be done.

Whatever would stop a run half way is looked for here: outputs that exist, disks that are too
small, plates that were pulled already, channels that cannot take what is asked of them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from functools import partial
from typing import Any

from gradeprep._version import __version__
from gradeprep.errors import (
    AlreadyPulledError,
    CannotCarryError,
    OutputRefusedError,
)
from gradeprep.model.order import ARITHMETIC, ColourOrder, OutputOrder, Stages, digest_of
from gradeprep.model.record import PlateRecord
from gradeprep.model.runlengths import RunLengths
from gradeprep.model.shot import FrameEntry, Frames, ShotDocument
from gradeprep.pipeline import plannotes, target
from gradeprep.pipeline.arithmetic import chosen_kernels
from gradeprep.pipeline.checking import run_checks
from gradeprep.pipeline.decision import Decision, prepare
from gradeprep.pipeline.planned import ShotPlan
from gradeprep.pipeline.planner import ShotPlanner
from gradeprep.pipeline.reversibility import reversible
from gradeprep.pipeline.survey import Survey
from gradeprep.plugins.registry import installed

__all__ = ["plan_shot"]


def plan_shot(shot: ShotPlanner) -> ShotPlan:
    """Decide everything for every frame of a shot; nothing is written.

    Raises:
        PlateError: The plate is bad.
        GradeprepError: What is asked cannot be done; with file or key and what to do.
    """
    ask, found = shot.ask, shot.found
    place = target.place(ask, found, shot.owner.folder)
    order, output = shot.output
    _not_pulled_before(shot)
    stages = RunLengths(map(shot.settled.orders, found.frames))
    decisions = stages.each(partial(_decision, shot))
    used = decisions.each(partial(_kernels, shot))
    names = {name for kernels in used.distinct for name in kernels}
    _carriable(shot, decisions.distinct, names)
    needed, close = target.bytes_needed(found, output)
    free = target.free_disk(place.folder)
    _existing(shot, place)
    _fits(shot, place, needed, close=close, free=free)
    document = ShotDocument(
        tool=f"gradeprep {__version__}",
        shot=ask.name,
        digest=_digest(shot, order, output),
        source=_plate(str(found.sequence.pattern), found),
        result=_plate(
            str(place.pattern),
            found,
            format=output.format,
            type=found.type if output.type == "source" else output.type,
            compression=output.compression,
        ),
        folder=str(place.folder),
        colour=order,
        layers=found.layers,
        types=found.types,
        nonfinite=ask.nonfinite,
        output=output,
        readings=shot.settled.readings,
        findings=(*plannotes.notes(found, output, names), *run_checks(shot.view, ask.checks)),
        reversible=reversible(decisions.distinct, names, found, order, output),
        carried=ask.carried,
        frames=Frames(
            _entries(shot, place),
            found.frames.numbers,
            stages,
            decisions.each(lambda decision: decision.stops),
            used.each(lambda kernels: kernels[: len(found.types)]),
        ),
    )
    return ShotPlan(
        document=document,
        space_from=shot.space[1],
        real_folder=os.path.realpath(place.folder),
        existing=place.existing,
        bytes_needed=needed,
        bytes_close=close,
        bytes_free=free,
    )


def _not_pulled_before(shot: ShotPlanner) -> None:
    if shot.ask.allow_pulled or not shot.found.pulled:
        return
    number, (stops, _) = next(iter(shot.found.pulled.items()))
    raise AlreadyPulledError(
        f"was already pulled by {stops:+g} stops",
        frame=number,
        file=shot.found.sequence.path(number),
        remedy="take the original plate, or set --allow-pulled (allow_pulled: true)",
    )


def _digest(shot: ShotPlanner, order: ColourOrder, output: OutputOrder) -> str:
    """Hash of what decides the pixels; where the files lie does not."""
    data = order.model_dump(exclude={"config", "look"})
    data["files"] = sorted(order.files.values())
    return digest_of(
        {
            "arithmetic": ARITHMETIC,
            "colour": data,
            "stages": shot.settled.as_data(),
            "layers": shot.found.layers,
            "nonfinite": shot.ask.nonfinite,
            "output": output.model_dump(),
            **_guests(shot),
        }
    )


def _guests(shot: ShotPlanner) -> dict[str, Any]:
    """Stages of other packages, with the version of each: another one may decide otherwise."""
    names = sorted({ask.stage for ask in shot.ask.stages})
    sources = {name: installed().source("stages", name) for name in names}
    guests = {name: found for name, found in sources.items() if found.split()[0] != "gradeprep"}
    return {"guests": guests} if guests else {}


def _entries(
    shot: ShotPlanner, place: target.Target
) -> Callable[[int, Stages, float, tuple[str, ...]], FrameEntry]:
    source, result, before = shot.found.sequence.pattern, place.pattern, shot.found.pulled

    def entry(number: int, stages: Stages, stops: float, kernels: tuple[str, ...]) -> FrameEntry:
        pulled, history = before.get(number, (0.0, ()))
        return FrameEntry(
            number=number,
            source=source.text(number),
            result=result.text(number),
            stages=stages,
            stops=stops,
            kernels=kernels,
            before=pulled,
            history=history,
        )

    return entry


def _decision(shot: ShotPlanner, stages: Stages) -> Decision:
    plain = prepare(stages, (0.0, 1.0, 0.0)).asked()  # a gain needs no luminance
    return plain if plain.gains is not None else prepare(stages, shot.owner.weights)


def _kernels(shot: ShotPlanner, decision: Decision) -> tuple[str, ...]:
    """The kernel of each layer; of the plate as a whole where no layer is colour."""
    found, (order, output) = shot.found, shot.output
    types = found.types or (found.type,)
    return chosen_kernels(decision, shot.config, order, types=types, wanted=output.type)


def _carriable(shot: ShotPlanner, decisions: Sequence[Decision], used: Collection[str]) -> None:
    """Refuse what the plate's channels cannot be asked for."""
    if set(used) == {"carry"}:
        return
    problem = _unfit(shot.found, decisions, used)
    if problem:
        raise CannotCarryError(
            problem[0],
            file=shot.found.sequence.path(shot.found.frames.first),
            remedy=problem[1],
        )


def _existing(shot: ShotPlanner, place: target.Target) -> None:
    if not place.existing or shot.owner.options.overwrite or shot.owner.options.resume:
        return
    count = len(place.existing)
    others = f" and {count - 1} more" if count > 1 else ""
    raise OutputRefusedError(
        f"exists already{others}",
        file=place.existing[0],
        remedy="say --overwrite, or --resume to keep what is right",
    )


def _fits(shot: ShotPlanner, place: target.Target, needed: int, *, close: bool, free: int) -> None:
    if close and needed > free + sum(path.stat().st_size for path in place.existing):
        raise OutputRefusedError(
            f"not enough disk space: about {needed / 1e6:.1f} MB needed, {free / 1e6:.1f} MB free",
            file=place.folder,
            remedy="free some disk, or write somewhere else",
        )


_WHOLE = {"tone-gain", "code-table", "curve", "light"}
"""Kernels that need all of R, G and B, or a luminance."""


def _unfit(
    found: Survey, decisions: Sequence[Decision], used: Collection[str]
) -> tuple[str, str] | None:
    """What is wrong and what to do, when the plate's channels cannot take the stages."""
    if not found.groups:
        return (
            "has no colour channels (R, G, B or Y), so there is nothing to pull",
            "name the layer that is colour with layers",
        )
    if found.type == "uint32":
        return (
            "its colour channels are unsigned integers, which hold no scene light",
            "convert the plate to half or float",
        )
    kinds = {group.kind for group in found.groups}
    if "some" in kinds and not _WHOLE.isdisjoint(used):
        names = ", ".join(n for group in found.groups for n in group.names)
        return (
            f"has only {names}; a lift or a colour conversion needs R, G and B",
            "pull it in a scene-linear space",
        )
    scalar = all(d.scalar or d.gains is None for d in decisions)
    if "luma" in kinds and not scalar:
        return ("is luminance only, so it has no balance", "leave the balance out")
    return None


def _plate(
    pattern: str,
    found: Survey,
    *,
    format: str = "",
    type: str = "",
    compression: str = "source",
) -> PlateRecord:
    own = found.first.parts[0].compression
    return PlateRecord(
        pattern=pattern,
        frames=str(found.frames),
        format=format or found.first.format,
        type=type or found.type,
        compression=own if compression == "source" else compression,
        timecode=_timecodes(found),
        rate=found.first.rate,
    )


def _timecodes(found: Survey) -> tuple[str, str] | None:
    first = found.layouts[found.frames.first].timecode
    last = found.layouts[found.frames.last].timecode
    return None if first is None or last is None else (first, last)

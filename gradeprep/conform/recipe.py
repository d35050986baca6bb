"""The recipe of a conformed timeline: valid, readable, every shot with the events it serves."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from gradeprep.conform.decision import ChannelStops
from gradeprep.conform.gather import Gathered, Use
from gradeprep.errors import OutputRefusedError
from gradeprep.model.documents.conform import EventDocument
from gradeprep.pipeline.yamledit import flow
from gradeprep.plates import atomic, formats

__all__ = ["recipe_text", "write_recipe"]

_OUTPUT = "normalized/{shot}/{shot}.####"


def recipe_text(
    gathered: Gathered,
    *,
    timeline: Path,
    folder: Path,
    space: str | None = None,
    decisions: Mapping[str, ChannelStops] | None = None,
) -> str:
    """The text of a recipe.

    Args:
        gathered: Shots and the events that use them.
        timeline: Where they come from; told in a comment and carried with each shot.
        folder: Where the recipe will stand; relative plates are told from there.
        space: Colour space of the plates; left to the config's file rules without it.
        decisions: Stops for R, G and B by shot; a lone one, of whatever name, is for all.
    """
    decisions = decisions or {}
    everywhere = next(iter(decisions.values())) if len(decisions) == 1 else None
    total = sum(len(use.events) for use in gathered.shots.values())
    lines = [
        f"# {_count(total, 'event')} of {timeline.name} in {_count(len(gathered.shots), 'shot')}.",
        "gradeprep: 1",
        "defaults:",
    ]
    lines += [f"  space: {flow(space)}"] if space else []
    lines += [f"  stages:{'' if everywhere else '  # stops are still to be said, or measured'}"]
    lines += [f"    - {stage}" for stage in _stages(everywhere)]
    lines += [f"  output: {{plate: {flow(f'{_OUTPUT}.{formats.DEFAULT}')}}}", "shots:"]
    for name, use in gathered.shots.items():
        own = None if everywhere else decisions.get(name)
        lines += _shot(name, use, timeline, folder, own)
    return "\n".join(lines) + "\n"


def write_recipe(path: Path, text: str, *, overwrite: bool) -> None:
    """Write a recipe; whole under its name, or not at all.

    Raises:
        OutputRefusedError: Something stands there already.
        WriteError: It could not be written.
    """
    if not overwrite and (path.exists() or path.is_symlink()):
        raise OutputRefusedError("exists already", file=path, remedy="say --overwrite")

    def write(temp: Path) -> None:
        temp.write_text(text, encoding="utf-8", newline="\n")

    path.parent.mkdir(parents=True, exist_ok=True)
    atomic.publish(path, write, lambda temp: temp.stat().st_size)


def _shot(
    name: str, use: Use, timeline: Path, folder: Path, stops: ChannelStops | None
) -> Iterator[str]:
    pattern = use.plate.files.pattern
    yield f"  {flow(name)}:"
    yield from (f"    # {_comment(event)}" for event in use.events)
    yield f"    plate: {flow(_told(pattern.folder / pattern.name, folder))}"
    yield f"    frames: {flow(str(use.frames))}"
    if stops is not None:
        yield "    stages:"
        yield from (f"      - {stage}" for stage in _stages(stops))
    format = use.plate.first.format
    if format != formats.DEFAULT and format in formats.WRITABLE:
        yield f"    output: {{plate: {flow(f'{_OUTPUT}.{format}')}}}"
    yield "    carried:"
    yield f"      timeline: {flow(timeline.name)}"
    yield "      events:"
    for event in use.events:
        told = event.model_dump(mode="json", exclude_defaults=True)
        told |= {} if event.cdl is None else {"cdl": event.cdl.model_dump(mode="json")}
        yield f"        - {flow(told)}"


def _comment(event: EventDocument) -> str:
    where = f"event {event.event}" + ("" if event.line is None else f" (line {event.line})")
    name = " ".join((event.clip or event.reel).split())
    before, after = event.handles
    handles = f", handles {before} and {after}" if before or after else ""
    return (
        f"{where}, {name}: {event.source[0]} to {event.source[1]}, frames {event.frames}{handles}"
    )


def _stages(stops: ChannelStops | None) -> list[str]:
    """Balance and pull; green keeps its exposure in the balance (common practice)."""
    if stops is None:
        return ["pull: {stops: 0.0}"]
    red, green, blue = stops
    pull = f"pull: {{stops: {green!r}}}"
    if red == green == blue:
        return [pull]
    return [f"balance: {{stops: [{red - green!r}, 0.0, {blue - green!r}]}}", pull]


def _told(plate: Path, folder: Path) -> str:
    """A relative plate from the recipe's folder; an absolute one as it is."""
    return (
        plate.as_posix() if plate.is_absolute() else Path(os.path.relpath(plate, folder)).as_posix()
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"

"""The recipe of a conformed timeline: valid, readable, every shot with the events it serves."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeprep.conform.applied import Decisions
from gradeprep.conform.decision import ChannelStops
from gradeprep.conform.gather import Gathered, Use
from gradeprep.conform.listed import printable
from gradeprep.errors import OutputRefusedError
from gradeprep.model.documents.conform import EventDocument, Listed
from gradeprep.pipeline.yamledit import flow
from gradeprep.plates import atomic, formats

__all__ = [
    "Source",
    "carried_data",
    "carried_lines",
    "comments",
    "heading",
    "recipe_text",
    "shot_lines",
    "write_recipe",
]

_OUTPUT = "normalized/{shot}/{shot}.####"


@dataclass(frozen=True, slots=True)
class Source:
    """Where shots come from and how they are decided.

    Attributes:
        timeline: The timeline's file.
        folder: Folder of the recipe; relative plates are written from there.
        title: Title of the timeline.
        space: Colour space of the plates; None leaves it to the config's file rules.
        decisions: Stops for R, G and B by shot, or for all shots.
    """

    timeline: Path
    folder: Path
    title: str = ""
    space: str | None = None
    decisions: Decisions = field(default_factory=Decisions)


def recipe_text(gathered: Gathered, source: Source) -> str:
    """The text of a new recipe."""
    everywhere = source.decisions.everywhere
    lines = [
        heading(gathered, source),
        "gradeprep: 1",
        "defaults:",
    ]
    lines += [f"  space: {flow(source.space)}"] if source.space else []
    lines += [
        f"  stages:{'' if everywhere else '  # no exposure change yet: set or measure stops'}"
    ]
    lines += [f"    - {stage}" for stage in _stages(everywhere)]
    lines += [f"  output: {{plate: {flow(f'{_OUTPUT}.{formats.DEFAULT}')}}}", "shots:"]
    for name, use in gathered.shots.items():
        own = source.decisions.shots.get(name)
        lines += shot_lines(name, use, source, own)
    return "\n".join(lines) + "\n"


def heading(gathered: Gathered, source: Source) -> str:
    """The first line: how many events of which timeline are in how many shots."""
    total = sum(len(use.events) for use in gathered.shots.values())
    shots = _count(len(gathered.shots), "shot")
    return f"# {_count(total, 'event')} of {printable(source.timeline.name)} in {shots}."


def write_recipe(path: Path, text: str, *, overwrite: bool) -> None:
    """Write a recipe; whole under its name, or not at all.

    Raises:
        OutputRefusedError: The file exists.
        WriteError: It could not be written.
    """
    if not overwrite and (path.exists() or path.is_symlink()):
        remedy = "use --update for a changed cut, or --overwrite"
        raise OutputRefusedError("exists already", file=path, remedy=remedy)

    def write(temp: Path) -> None:
        temp.write_text(text, encoding="utf-8", newline="")

    path.parent.mkdir(parents=True, exist_ok=True)
    atomic.publish(path, write, lambda temp: temp.stat().st_size)


def shot_lines(name: str, use: Use, source: Source, stops: ChannelStops | None) -> Iterator[str]:
    """Lines of a shot under ``shots``; two spaces before its name."""
    pattern = use.plate.files.pattern
    yield f"  {flow(name)}:"
    yield from (f"    # {text}" for text in comments(use))
    yield f"    plate: {flow(_relative(pattern.folder / pattern.name, source.folder))}"
    yield f"    frames: {flow(str(use.frames))}"
    if stops is not None:
        yield "    stages:"
        yield from (f"      - {stage}" for stage in _stages(stops))
    format = use.plate.first.format
    if format != formats.DEFAULT and format in formats.WRITABLE:
        yield f"    output: {{plate: {flow(f'{_OUTPUT}.{format}')}}}"
    yield "    carried:"
    yield from (f"      {line}" for line in carried_lines(use, source))


def carried_lines(use: Use, source: Source) -> Iterator[str]:
    """Lines of what a shot carries from its timeline, without indent."""
    for key, value in carried_data(use, source).items():
        if isinstance(value, list):
            yield f"{key}:"
            yield from (f"  - {flow(item)}" for item in value)
        else:
            yield f"{key}: {flow(value)}"


def carried_data(use: Use, source: Source) -> dict[str, Any]:
    """What a shot carries from its timeline, as plain data."""
    data: dict[str, Any] = {"timeline": printable(source.timeline.name)}
    data |= {"title": printable(source.title)} if source.title else {}
    data["events"] = [_data(event) for event in use.events]
    data |= {"others": [_data(other) for other in use.others]} if use.others else {}
    return data


def comments(use: Use) -> Iterator[str]:
    """A line for each event, without the ``#``."""
    for event in use.events:
        yield _comment(event)


def _data(event: Listed) -> dict[str, Any]:
    data = event.model_dump(mode="json", exclude_defaults=True)
    return data | ({} if event.cdl is None else {"cdl": event.cdl.model_dump(mode="json")})


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


def _relative(plate: Path, folder: Path) -> str:
    """A relative plate from the recipe's folder; an absolute one as it is."""
    return (
        plate.as_posix() if plate.is_absolute() else Path(os.path.relpath(plate, folder)).as_posix()
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"

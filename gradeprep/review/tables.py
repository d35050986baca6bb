"""A shot's numbers as the rows of a page: what was applied to each frame, and where it is from."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from gradeprep.model.record import PlateRecord
from gradeprep.model.task import StageOrder
from gradeprep.review.reportdata import FrameReport, ShotReport

__all__ = [
    "AppliedRow",
    "Cell",
    "applied",
    "frame_rows",
    "number",
    "provenance",
    "pretty",
    "varying",
]


@dataclass(frozen=True, slots=True)
class Cell:
    """A number of the page: as it is read, and exactly as it was recorded."""

    text: str
    value: str = ""


@dataclass(frozen=True, slots=True)
class AppliedRow:
    """One number of one stage.

    Attributes:
        stage: Place and name of the stage.
        name: Name of the number.
        first: On the first frame.
        last: On the last frame; None where it is the same on every frame.
    """

    stage: str
    name: str
    first: Cell
    last: Cell | None


def number(value: Any) -> Cell:
    """A recorded number, or several, with nothing rounded away."""
    if isinstance(value, tuple | list):
        cells = [number(item) for item in value]
        return Cell(", ".join(cell.text for cell in cells), ", ".join(c.value for c in cells))
    return Cell(_signed(repr(float(value))), repr(float(value)))


def _signed(text: str) -> str:
    text = text.removesuffix(".0")
    return f"\N{MINUS SIGN}{text[1:]}" if text.startswith("-") else f"+{text}"


def applied(told: ShotReport) -> list[AppliedRow]:
    """Every number of every stage, in the order applied."""
    rows = []
    for place, order in enumerate(told.frames[0].stages):
        for name, value in order.numbers.items():
            last = None
            if (place, name) in varying(told):
                last = number(told.frames[-1].stages[place].numbers[name])
            rows.append(AppliedRow(f"{place + 1}. {order.stage}", name, number(value), last))
    return rows


def varying(told: ShotReport) -> list[tuple[int, str]]:
    """Numbers that are not the same on every frame: place of the stage, and name."""
    first = told.frames[0].stages
    return [
        (place, name)
        for place, order in enumerate(first)
        for name in order.numbers
        if any(_of(frame.stages, place, name) != order.numbers[name] for frame in told.frames)
    ]


def _of(stages: tuple[StageOrder, ...], place: int, name: str) -> Any:
    return stages[place].numbers.get(name) if place < len(stages) else None


def frame_rows(told: ShotReport) -> list[tuple[FrameReport, list[Cell], list[Cell]]]:
    """Each frame with its varying numbers, and with its counts where it was done."""
    places = varying(told)
    rows = []
    for frame in told.frames:
        numbers = [number(_of(frame.stages, place, name)) for place, name in places]
        rows.append((frame, numbers, list(_counts(frame))))
    return rows


def _counts(frame: FrameReport) -> Iterator[Cell]:
    if frame.counts is None:
        return
    clipped = ", ".join(f"{name} {count}" for name, count in frame.counts.clipped.items() if count)
    yield Cell(clipped or "0")
    for count in (frame.counts.nonfinite, frame.counts.overflow, frame.counts.underflow):
        yield Cell(str(count), str(count))


def pretty(data: Any) -> str:
    """Plain data as text that a person may read: one key a line, short lists on one."""
    return "\n".join(_pretty(data, 0))


def _pretty(data: Any, depth: int) -> Iterator[str]:
    pad = "  " * depth
    if isinstance(data, Mapping):
        for key, value in data.items():
            if isinstance(value, Mapping) or _long(value):
                yield f"{pad}{key}"
                yield from _pretty(value, depth + 1)
            else:
                yield f"{pad}{key}: {_plain(value)}"
    elif _long(data):
        for value in data:
            if isinstance(value, Mapping):
                yield f"{pad}-"
                yield from _pretty(value, depth + 1)
            else:
                yield f"{pad}- {_plain(value)}"
    else:
        yield f"{pad}{_plain(data)}"


def _long(value: Any) -> bool:
    return isinstance(value, list | tuple) and any(isinstance(v, Mapping | list) for v in value)


def _plain(value: Any) -> str:
    if isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False)


def provenance(told: ShotReport) -> list[tuple[str, str]]:
    """Where everything is from and what it went through, name and value."""
    colour = told.colour
    rows = [
        ("source", told.source.pattern),
        ("", _plate(told.source)),
        ("result", told.result.pattern),
        ("", _plate(told.result)),
        (
            "colour spaces",
            f"{colour.source} \N{RIGHTWARDS ARROW} {colour.working} "
            f"\N{RIGHTWARDS ARROW} {colour.result}",
        ),
        ("config", colour.config),
        ("config, SHA-256", colour.sha256),
        *((f"context {name}", value) for name, value in colour.context.items()),
        *((f"file {name}", value) for name, value in colour.files.items()),
    ]
    if colour.look is not None:
        space = f" in {colour.look.space}" if colour.look.space else " of the config"
        rows.append(("the show's look", colour.look.name + space))
        if colour.look.sha256:
            rows.append(("look, SHA-256", colour.look.sha256))
    rows += [
        ("layers", ", ".join(layer or "the root" for layer in told.layers) or "the root"),
        ("pixels that are no numbers", told.nonfinite),
        ("written as", _output(told)),
        (
            "arithmetic",
            f"version {told.arithmetic}; "
            + ", ".join(f"{name} on {count}" for name, count in told.kernels.items()),
        ),
        ("decision", told.digest),
        *(("undergone before", digest) for digest in told.again),
        ("taken back", _reversible(told)),
    ]
    if told.tool:
        rows.append(("done by", told.tool))
    if told.written:
        rows.append(("sidecar written", told.written))
    return rows


def _plate(plate: PlateRecord) -> str:
    words = [f"frames {plate.frames}", plate.format, plate.type, plate.compression]
    if plate.timecode is not None:
        words.append(f"{plate.timecode[0]} to {plate.timecode[1]}")
    if plate.rate is not None:
        words.append(f"{plate.rate} fps")
    return ", ".join(words)


def _output(told: ShotReport) -> str:
    output = told.output
    words = [output.format, f"type {output.type}", f"compression {output.compression}"]
    if output.container != "source":
        words.append(f"container {output.container}")
    if output.only_colour:
        words.append("colour only")
    return ", ".join(words)


def _reversible(told: ShotReport) -> str:
    back = told.reversible
    if back.exact:
        return f"exactly: {back.why}"
    if back.ulp is None:
        return f"with no bound: {back.why}"
    return f"within {back.ulp:g} ulp: {back.why}"

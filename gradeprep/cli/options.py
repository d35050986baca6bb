"""Options that several commands share, each written once."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.shell_completion import CompletionItem

from gradeprep.model.framerange import FrameRange
from gradeprep.model.stops import valid_stops

__all__ = [
    "FRAMES",
    "STOPS",
    "STOPS_OR_KEYS",
    "completed_as_files",
    "config",
    "frames",
    "jobs",
    "json_output",
    "openjd",
    "overwrite",
    "place",
    "quiet",
    "resume",
    "running",
    "traceback_option",
]

F = TypeVar("F", bound=Callable[..., Any])


class _FrameRangeType(click.ParamType[FrameRange]):
    name = "range"

    def convert(self, value: Any, param: Any, ctx: Any) -> FrameRange:
        if isinstance(value, FrameRange):
            return value
        try:
            return FrameRange.parse(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class _Stops(click.ParamType["float | dict[int, float]"]):
    """A number of stops, or keys ``1001:-3,1048:-2.5``."""

    name = "stops"

    def __init__(self, *, keys: bool = False) -> None:
        self.keys = keys

    def convert(self, value: Any, param: Any, ctx: Any) -> float | dict[int, float]:
        if isinstance(value, float | dict):
            return value
        try:
            if self.keys and ":" in str(value):
                return {int(f): valid_stops(float(s)) for f, s in _pairs(str(value))}
            return valid_stops(float(value))
        except ValueError as error:
            hint = str(error)
            if "could not convert" in hint or "invalid literal" in hint:
                hint = f"'{value}' is not a number of stops"
                hint += " (nor keys such as 1001:-3,1048:-2.5)" if self.keys else ""
            self.fail(hint, param, ctx)


class _Size(click.ParamType[int]):
    """A number of bytes: ``500M``, ``8G``, ``1.5G``; K, M, G and T are powers of 1024."""

    name = "size"

    def convert(self, value: Any, param: Any, ctx: Any) -> int:
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"(\d+(?:\.\d+)?)([KMGT])(?:i?B)?", str(value), re.IGNORECASE)
        if found is None or not float(found[1]):
            self.fail(f"'{value}' is not a size; write for example 500M or 8G", param, ctx)
        return int(float(found[1]) * 1024 ** ("KMGT".index(found[2].upper()) + 1))


def _pairs(text: str) -> list[tuple[str, str]]:
    pairs = []
    for item in text.split(","):
        frame, colon, stops = item.partition(":")
        if not colon:
            raise ValueError(f"'{item}' is not a key; write frame:stops")
        pairs.append((frame, stops))
    return pairs


FRAMES = _FrameRangeType()
STOPS = _Stops()
STOPS_OR_KEYS = _Stops(keys=True)


def completed_as_files(
    context: click.Context, parameter: click.Parameter, begun: str
) -> list[CompletionItem[str]]:
    """What a shell completes where a plate, or another text that may be a file, is asked for."""
    return [CompletionItem(begun, type="file")]


config = click.option(
    "--config",
    metavar="CONFIG",
    shell_complete=completed_as_files,
    help="OpenColorIO config; else $OCIO, else the built-in one.",
)
frames = click.option(
    "--frames", type=FRAMES, metavar="RANGE", help="Only these frames: 1001-1048, 1001-1100x2,1201."
)
jobs = click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    metavar="N",
    help="Frames at once; all processors by default.",
)
memory = click.option(
    "--memory",
    type=_Size(),
    metavar="SIZE",
    help="Memory that frames in flight may take: 8G, 500M; three quarters of what is free by "
    "default.",
)
overwrite = click.option("--overwrite", is_flag=True, help="Write over results that exist.")
resume = click.option(
    "--resume", is_flag=True, help="Keep results that verify against their record; do the rest."
)
json_output = click.option(
    "--json", "as_json", is_flag=True, help="One JSON document on standard output."
)
place = click.option(
    "--map",
    "places",
    multiple=True,
    metavar="FROM=TO",
    help="A folder of the bundle that is somewhere else here; repeatable.",
)
openjd = click.option(
    "--openjd", is_flag=True, help="Print progress in lines of Open Job Description."
)
quiet = click.option("--quiet", is_flag=True, help="No progress; errors only.")


def traceback_option(command: F) -> F:
    """Let a command print Python's traceback with its error; read by the entry point."""
    return click.option(
        "--traceback", is_flag=True, expose_value=False, help="Print the traceback of an error."
    )(command)


def running(command: F) -> F:
    """The options of every command that runs frames."""
    for option in (
        traceback_option,
        quiet,
        json_output,
        resume,
        overwrite,
        memory,
        jobs,
        frames,
        config,
    ):
        command = option(command)
    return command

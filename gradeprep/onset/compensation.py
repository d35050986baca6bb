"""Transforms for monitors: a hot recording looks normal, and what is recorded stays hot.

What is asked is settled here, with nothing written; `handout` writes and proves the files.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from gradeprep.colour import Colour
from gradeprep.errors import ColourError, RequestError
from gradeprep.looks import Look, find_look
from gradeprep.model.documents.compensation import FORMATS, Format
from gradeprep.model.stops import gain, valid_stops
from gradeprep.onset import cube
from gradeprep.onset.exact import Exact, log_space
from gradeprep.onset.names import file_name, set_name
from gradeprep.onset.steps import build
from gradeprep.transforms import Steps, clf_text, is_formula

__all__ = ["Ask", "Order", "Tolerance", "prepare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """What a file may be off by, before it is refused.

    Attributes:
        stops: Log out: in stops, from 6 under grey of the shown picture up.
        codes: In 10-bit codes: of any colour where log comes out, of neutrals behind a display;
            None for 1 and 3.
        colours: Behind a display: what 99 of 100 colours that it shows unclipped must stay within,
            in 10-bit codes.
    """

    stops: float = 0.02
    codes: float | None = None
    colours: float = 64.0

    @property
    def log_codes(self) -> float:
        """What counts where log comes out."""
        return 1.0 if self.codes is None else self.codes

    @property
    def shown_codes(self) -> float:
        """What counts behind a display."""
        return 3.0 if self.codes is None else self.codes


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What is asked of a set.

    Attributes:
        space: Log space that is recorded and fed to the monitor.
        stops: Exposure changes in stops, negative for a hot recording.
        formats: Of `FORMATS`; none for all that serve.
        size_1d: Points of a 1D table.
        size_3d: Points along an edge of a 3D table.
        display: Display whose view comes out; None for log out.
        view: View of it; None for its default.
        working: Scene-linear space that the light is multiplied in.
        tolerance: What a file may be off by.
    """

    space: str
    stops: Sequence[float]
    formats: Sequence[Format] = ()
    size_1d: int = 4096
    size_3d: int = 65
    display: str | None = None
    view: str | None = None
    working: str = "scene_linear"
    tolerance: Tolerance = field(default_factory=Tolerance)


@dataclass(frozen=True, slots=True)
class Order:
    """A set that can be made: all names found, all processors built, nothing written.

    Attributes:
        colour: The config.
        ask: What was asked.
        space: Canonical name of the log space.
        look: What comes out; None for log.
        exact: The exact transform.
        formats: What each exposure change is written as.
        left_out: What is not made, and why.
        clf: Exposure change to the text of its CLF, where that is one of the formats.
        formula: Whether a CLF holds formulas alone.
    """

    colour: Colour
    ask: Ask
    space: str
    look: Look | None
    exact: Exact
    formats: tuple[Format, ...]
    left_out: tuple[str, ...]
    clf: Mapping[float, str]
    formula: bool

    @property
    def name(self) -> str:
        """What the names of all its files begin with."""
        return set_name(self.space, self.look)

    def size(self, kind: Format) -> int | None:
        """Points of a format's table, along an edge in 3D."""
        return {"1d": self.ask.size_1d, "3d": self.ask.size_3d}.get(kind)

    def files(self) -> Iterator[tuple[float, Format, str]]:
        """Exposure change, format and file name of everything that is to be made."""
        for stops in self.ask.stops:
            for kind in self.formats:
                yield stops, kind, file_name(self.name, stops, kind, self.size(kind))


def prepare(colour: Colour, ask: Ask) -> Order:
    """Find all names, build all processors; write nothing.

    Raises:
        RequestError: A size, a tolerance or a number of stops that cannot be, or a format that
            cannot serve.
        ColourError: An unknown space, display or view; a space that is not log or has no ceiling.
    """
    _check_numbers(ask)
    space = log_space(colour, ask.space)
    working = colour.guard_working(ask.working)
    if ask.view is not None and ask.display is None:
        raise RequestError("is a view of no display", key="--view", remedy="say --display as well")
    look = find_look(colour, ask.display, ask.view) if ask.display is not None else None
    exact = Exact.of(colour, space, working, look)
    groups = {s: build(colour, space, working, gain(s), look) for s in ask.stops}
    missing: dict[Format, str] = {}
    clf: dict[float, str] = {}
    try:
        clf = {s: _clf(group, space, s, look) for s, group in groups.items()}
    except ColourError as error:
        missing["clf"] = error.what
    if not exact.separate:
        who = f"view '{look.view}'" if look else f"'{space}'"
        missing["1d"] = f"{who} mixes the channels, so that no 1D table holds it"
    formats = _formats(ask.formats, missing)
    left_out = () if ask.formats else tuple(f"{kind}: {why}" for kind, why in missing.items())
    formula = all(is_formula(group) for group in groups.values())
    return Order(colour, ask, space, look, exact, formats, left_out, clf, formula)


def _clf(group: Steps, space: str, stops: float, look: Look | None) -> str:
    name = f"{set_name(space, look)} {stops:+g} stops"
    return clf_text(group, name=name, source=space, result=str(look or space))


def _check_numbers(ask: Ask) -> None:
    if not ask.stops:
        raise RequestError("none are given", key="--stops", remedy="say --stops -1,-2,-3")
    for stops in ask.stops:
        try:
            valid_stops(stops)
        except ValueError as error:
            raise RequestError(str(error), key="--stops") from error
    if len(set(ask.stops)) < len(ask.stops):
        raise RequestError("a number of stops is given twice", key="--stops", remedy="drop one")
    _check_size("--size-1d", ask.size_1d, cube.SIZES_1D)
    _check_size("--size-3d", ask.size_3d, cube.SIZES_3D)
    for key in ("stops", "codes", "colours"):
        limit = getattr(ask.tolerance, key)
        if limit is not None and not (math.isfinite(limit) and limit >= 0):
            raise RequestError(
                f"{limit} is no tolerance", key=f"--tolerance-{key}", remedy="give 0 or more"
            )


def _check_size(key: str, size: int, limits: tuple[int, int]) -> None:
    low, high = limits
    if not low <= size <= high:
        what = f"a table cannot have {size} points"
        raise RequestError(what, key=key, remedy=f"give {low} to {high}")


def _formats(asked: Sequence[Format], missing: Mapping[Format, str]) -> tuple[Format, ...]:
    """What is made: what was asked for by name, or all that serve."""
    for kind in asked:
        if kind in missing:
            raise RequestError(
                f"{kind}: {missing[kind]}", key="--format", remedy="ask for --format 3d"
            )
    return tuple(kind for kind in asked or FORMATS if kind not in missing)

"""The recipe as the page receives it: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.model.exposure import Keys, MeterAsk
from gradeprep.model.framerange import FrameRange
from gradeprep.model.layers import find_groups
from gradeprep.model.recipe import Shot
from gradeprep.plates import files
from gradeprep.review.desk.bench import Bench
from gradeprep.review.desk.frames import numbers_of, plate_of
from gradeprep.review.desk.resolver import Resolved, Resolver, meters_of
from gradeprep.review.desk.session import Session
from gradeprep.review.desk.trial import STAGES

__all__ = ["RecipeDocument"]


@dataclass(frozen=True, slots=True)
class _PlateOnDisk:
    """What is on disk of a shot, as far as a list needs it."""

    frames: FrameRange
    size: tuple[int, int]
    space: str
    error: str = ""


@dataclass
class RecipeDocument:
    """A recipe as plain data; what was found on disk holds until the plate's folder changes."""

    _plates: dict[tuple[Any, ...], _PlateOnDisk] = field(init=False, default_factory=dict)

    def recipe(self, session: Session, bench: Bench, resolver: Resolver) -> dict[str, Any]:
        """The whole recipe."""
        views = bench.views
        display = next(iter(views), "")
        default = str(bench.colour.config.getDefaultView(display)) if display else ""
        if display and default not in views[display]:
            default = views[display][0]
        return {
            "recipe": session.path.name,
            "revision": session.now.revision,
            "changed": session.changed,
            "undo": session.undoes,
            "config": bench.colour.name,
            "working": bench.working,
            "looks": [{"display": name, "views": list(views[name])} for name in views],
            "look": {"display": display, "view": default},
            "show_look": "" if bench.look is None else Path(bench.look.name).name,
            "luminance": list(bench.weights),
            "shots": [
                self._shot(bench, shot, resolver.of(bench.recipe, shot.name))
                for shot in bench.recipe.shots.values()
            ],
        }

    def knew(self, shot: str, frame: int) -> bool:
        """Whether a frame was ever found in the plate of a shot."""
        return any(key[2] == shot and frame in it.frames for key, it in self._plates.items())

    def _shot(self, bench: Bench, shot: Shot, resolved: Resolved | None) -> dict[str, Any]:
        plate, error = None, "" if resolved is None else resolved.error
        try:
            plate = self._plate(bench, shot)
            error = plate.error or error
        except GradeprepError as problem:
            error = str(problem.at(shot=shot.name))
        return {
            "name": shot.name,
            "space": plate.space if plate else shot.space or "",
            "frames": str(plate.frames) if plate else "",
            "numbers": list(plate.frames) if plate else [],
            "size": list(plate.size) if plate else [0, 0],
            "stages": _stages(shot, resolved),
            "reference": _reference(bench, shot.name),
            "error": error,
        }

    def _plate(self, bench: Bench, shot: Shot) -> _PlateOnDisk:
        named = bench.folder / shot.plate.replace("{shot}", shot.name)
        folder = named if named.is_dir() else named.parent
        try:
            stamp = folder.stat().st_mtime_ns
        except OSError:
            stamp = 0
        key = (str(folder), stamp, shot.name, shot.plate, shot.frames, shot.space, shot.layers)
        known = self._plates.get(key)
        if known is None or known.error:  # a file may be mended without its folder showing it
            known = self._plates[key] = _found(bench, shot)
        return known


def _found(bench: Bench, shot: Shot) -> _PlateOnDisk:
    plate = plate_of(shot, bench.folder)
    frames = numbers_of(shot, plate)
    first = plate.path(next(n for n in frames if n in plate.frames) if frames else 0)
    space = shot.space or bench.colour.by_rule(first) or ""
    try:
        parts = files.inspect(first).parts
        groups = find_groups(parts, shot.layers)
    except GradeprepError as error:  # the other frames may be whole
        return _PlateOnDisk(frames, (0, 0), space, str(error.at(shot=shot.name)))
    except ValueError as error:
        return _PlateOnDisk(frames, (0, 0), space, f"{shot.name}: {first}: {error}")
    window = parts[groups[0].part if groups else 0].display_window
    return _PlateOnDisk(frames, (window[2], window[3]), space)


def _stages(shot: Shot, resolved: Resolved | None) -> dict[str, Any]:
    names = [ask.stage for ask in shot.stages]
    found: dict[str, Any] = dict.fromkeys(STAGES)
    for ask in shot.stages:
        if ask.stage in STAGES and names.count(ask.stage) == 1:
            found[ask.stage] = _stage(ask.stage, ask.params, resolved)
    return {
        **found,
        "other": [name for name in names if name not in STAGES or names.count(name) > 1],
        "order": names,
    }


def _stage(name: str, params: Any, resolved: Resolved | None) -> dict[str, Any]:
    """A stage's parameters; a meter stands as it is asked for, with what it came to beside it."""
    stops = params.stops
    known = resolved or Resolved()
    if isinstance(stops, MeterAsk):
        meter = {"meter": stops.meter, "per_frame": stops.per_frame, **stops.params}
        if name == "pull":
            return {"stops": meter, "resolved": [list(key) for key in known.pull] or None}
        return {"stops": list(known.balance) if known.balance else None, "meter": meter}
    if name == "pull":
        keys = isinstance(stops, Keys)
        plain = [list(key) for key in sorted(stops.at.items())] if keys else stops
        return {"stops": plain, "resolved": None}
    data: dict[str, Any] = params.model_dump(mode="json")
    return data


def _reference(bench: Bench, shot: str) -> str | None:
    """The shot that this one is compared with by a meter of its own."""
    for ask in meters_of(bench.recipe, shot).values():
        other = ask.params.get("shot")
        if other in bench.recipe.shots:
            return str(other)
    return None

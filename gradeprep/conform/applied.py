"""Which shot a decision is for: by its id, or by the event of a timeline that brings it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gradeprep.conform.decision import ChannelStops, decisions_in, stops_of_cdl
from gradeprep.conform.gather import Gathered, Use, gather
from gradeprep.conform.library import Library
from gradeprep.conform.match import Choice
from gradeprep.conform.read import read_timeline
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.model.documents.conform import EventDocument
from gradeprep.model.framerange import FrameRange
from gradeprep.plates.regular import asked_for

__all__ = ["Decisions", "decisions_for"]

_LISTS = (".edl", ".ale")
_ONE_A_SHOT = (".cc", ".clf")
_MAX_BYTES = 64 * 2**20


@dataclass(frozen=True, slots=True)
class Decisions:
    """Stops for R, G and B.

    Attributes:
        shots: Shot to its stops.
        everywhere: Stops for every shot, if the file holds one correction for all.
    """

    shots: Mapping[str, ChannelStops] = field(default_factory=dict)
    everywhere: ChannelStops | None = None


def decisions_for(path: Path, gathered: Gathered, library: Library, choice: Choice) -> Decisions:
    """The decisions of a file, or of a folder with a file a shot, for the shots of a timeline.

    Args:
        path: ASC CDL (``.cc``, ``.ccc``, ``.cdl``), ``.clf``, a list with ASC notes (``.edl``,
            ``.ale``), a timeline that was handed over (``.otio``), or a folder of ``.cc`` or
            ``.clf`` files, each with the name of its shot.
        gathered: The shots.
        library: The plates.
        choice: How to choose among plates.

    Raises:
        RequestError: It cannot be read, or one of its decisions is not a gain per channel.
    """
    suffix = path.suffix.lower()
    try:
        if path.is_dir():
            return Decisions(dict(_folder(path)))
        if suffix in _LISTS:
            return Decisions(dict(_listed(path, gathered, library, choice)))
        if suffix == ".otio":
            raw = asked_for(path, _MAX_BYTES, missing="no such file")
            return Decisions(_handed_over(raw))
    except GradeprepError as error:
        raise error.at(file=path) from error
    found = decisions_in(path)
    if len(found) == 1:
        return Decisions(everywhere=next(iter(found.values())))
    return Decisions(found)


def _folder(folder: Path) -> Iterator[tuple[str, ChannelStops]]:
    files = [path for path in sorted(folder.iterdir()) if path.suffix.lower() in _ONE_A_SHOT]
    kinds = {path.suffix.lower() for path in files}
    if len(kinds) != 1:
        what = "no .cc or .clf files in it" if not kinds else "both .cc and .clf files in it"
        raise RequestError(what, remedy="give a folder with one form")
    for path in files:
        found = decisions_in(path)
        if len(found) > 1:
            raise RequestError(f"{path.name} holds {len(found)} corrections")
        yield path.stem, next(iter(found.values()))


def _listed(
    path: Path, gathered: Gathered, library: Library, choice: Choice
) -> Iterator[tuple[str, ChannelStops]]:
    """Stops by shot, from the ASC CDL of each event that uses frames of it."""
    given = gather(read_timeline(path), library, choice=choice)
    by_plate = {str(use.plate.files.pattern): use for use in given.shots.values()}
    count = 0
    for name, use in gathered.shots.items():
        other = by_plate.get(str(use.plate.files.pattern))
        found = {} if other is None else dict(_stops(use, other))
        if len(set(found.values())) > 1:
            events = ", ".join(found)
            what = f"events {events} decide differently about shot '{name}'"
            raise RequestError(what, remedy="conform with --per-event")
        count += len(found)
        if found:
            yield name, next(iter(found.values()))
    if not count:
        raise RequestError("no ASC CDL for any shot in it", remedy="export the list with ASC notes")


def _stops(use: Use, other: Use) -> Iterator[tuple[str, ChannelStops]]:
    own = FrameRange.of(frame for event in use.events for frame in _frames(event))
    for event in other.events:
        if event.cdl is not None and own & _frames(event):
            try:
                yield event.event, stops_of_cdl(event.cdl)
            except RequestError as error:
                error.what = f"event {event.event} {error.what}"
                raise


def _frames(event: EventDocument) -> FrameRange:
    return FrameRange.parse(event.frames)


def _handed_over(raw: bytes) -> dict[str, ChannelStops]:
    """Stops by shot from a timeline that this program handed over."""
    try:
        clips = list(_clips(json.loads(raw)))
    except (ValueError, RecursionError) as error:
        raise RequestError(f"not a timeline: {error}") from error
    found = {str(one["shot"]): _stages(str(one["shot"]), one) for one in clips}
    if not found:
        raise RequestError("no decision of gradeprep in it", remedy="give its hand-over")
    return found


def _clips(data: Any) -> Iterator[dict[str, Any]]:
    for item in data.values() if isinstance(data, dict) else data if isinstance(data, list) else ():
        yield from _clips(item)
    metadata = data.get("metadata") if isinstance(data, dict) else None
    own = metadata.get("gradeprep") if isinstance(metadata, dict) else None
    if isinstance(own, dict) and "shot" in own and isinstance(own.get("stages"), list):
        yield own


def _stages(shot: str, own: Mapping[str, Any]) -> ChannelStops:
    if isinstance(own.get("stops"), dict):
        raise RequestError(f"the gain of shot '{shot}' varies over its frames: not a plain gain")
    total = [0.0, 0.0, 0.0]
    for stage in own["stages"]:
        name, numbers = stage.get("stage"), stage.get("numbers", {})
        if name not in ("pull", "balance"):
            raise RequestError(f"shot '{shot}' has a {name}: not a plain gain")
        stops = numbers.get("stops")
        values = stops if isinstance(stops, list) else [stops] * 3
        if len(values) != 3 or not all(isinstance(value, int | float) for value in values):
            raise RequestError(f"shot '{shot}' has a {name} without stops")
        total = [sum(pair) for pair in zip(total, values, strict=True)]
    return total[0], total[1], total[2]

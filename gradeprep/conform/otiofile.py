"""OpenTimelineIO timelines; loaded only where one is read, for the library is an extra.

Markers are left out before the library sees the text: it refuses a whole file for one marker of a
version it does not know, and nothing here needs them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any
from urllib.parse import unquote

import opentimelineio as otio

from gradeprep.conform.timeline import Event, Timeline, cdl_of, name_of_path
from gradeprep.errors import RequestError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import CdlDocument, Remark

__all__ = ["read"]

_REELS = (("gradeprep", "reel"), ("cmx_3600", "reel"), ("ALE", "Tape"), ("ALE", "Reel"))
"""Where a reel is kept: under our own name, and where the adapters of two formats put it."""

_BETWEEN = Fraction(1, 1000)  # of a frame: rounding of a float, not a place between frames


def read(text: str) -> Timeline:
    """Events of a timeline, or of a collection of clips, in the order of the file.

    Raises:
        RequestError: The text is not OpenTimelineIO, or of a version that the library lacks.
    """
    try:
        data = json.loads(text)
        root: Any = otio.core.deserialize_json_from_string(json.dumps(_without_markers(data)))
        clips = root.find_clips()
    except json.JSONDecodeError as error:
        raise RequestError(f"line {error.lineno}: is not JSON: {error.msg}") from error
    except (otio.exceptions.OTIOError, ValueError, RecursionError, AttributeError) as error:
        raise RequestError(f"is not OpenTimelineIO that can be read: {error}") from error
    reader = _Reader(getattr(root, "global_start_time", None))
    events = [event for index, clip in enumerate(clips, 1) for event in reader.event(index, clip)]
    return Timeline(events=tuple(events), remarks=tuple(reader.remarks))


def _without_markers(data: Any) -> Any:
    if isinstance(data, dict):
        return {
            key: [] if key == "markers" else _without_markers(value) for key, value in data.items()
        }
    return [_without_markers(item) for item in data] if isinstance(data, list) else data


class _Reader:
    def __init__(self, begin: Any) -> None:
        self.begin = begin
        self.remarks: list[Remark] = []

    def event(self, index: int, clip: Any) -> Iterator[Event]:
        number = f"{index:03d}"

        def say(severity: str, what: str) -> None:
            remark = {"severity": severity, "what": what, "event": number}
            self.remarks.append(Remark.model_validate(remark))

        track = _track(clip)
        if track is not None and track.kind != otio.schema.TrackKind.Video:
            say("note", f"sound only ({clip.name}): no plate")
            return
        media = clip.media_reference
        available = getattr(media, "available_range", None)
        span = clip.source_range or available
        rate = None if span is None else timecode.rate(str(span.start_time.rate))
        if span is None or rate is None:
            say("fail", f"{clip.name or 'the clip'} says neither which frames nor at what rate")
            return
        start, end = _frames(span)
        if max(_off(start), _off(end)) > _BETWEEN:
            say("note", "begins or ends between two frames; both are taken")
        first = math.floor(start + _BETWEEN)
        offset = None if available is None else first - round(_frames(available)[0])
        cdl, why = _cdl(clip.metadata)
        if why:
            say("warn", f"its ASC CDL is not passed on: {why}")
        lead, tail = _transitions(clip, rate)
        if lead or tail:
            say("note", f"transition: {lead} frames more before, {tail} after")
        yield Event(
            number=number,
            track="" if track is None else track.name,
            reel=_reel(clip.metadata),
            clips=_clips(clip.name, media),
            start=Fraction(first),
            end=Fraction(math.ceil(end - _BETWEEN)),
            record=self.record(clip),
            rate=rate,
            m2=self.speed(clip, rate, say),
            lead=lead,
            tail=tail,
            offset=offset,
            first=_numbered(media, offset),
            cdl=cdl,
        )

    def record(self, clip: Any) -> tuple[Fraction, Fraction] | None:
        try:
            start, end = _frames(clip.range_in_parent())
        except (otio.exceptions.OTIOError, AttributeError):
            return None
        begin = 0 if self.begin is None else round(Fraction(self.begin.value))
        return start + begin, end + begin

    @staticmethod
    def speed(clip: Any, rate: Fraction, say: Any) -> Fraction | None:
        m2 = None
        for effect in clip.effects:
            if isinstance(effect, otio.schema.LinearTimeWarp):
                scale = Fraction(effect.time_scalar).limit_denominator(10_000)
                m2 = (rate if m2 is None else m2) * scale
            elif isinstance(effect, otio.schema.TimeEffect):
                say("warn", f"a change of time that is not known: {effect.effect_name}")
        return m2


def _track(clip: Any) -> Any:
    """The nearest track around a clip; None in a bare collection."""
    above = clip.parent()
    while above is not None and not isinstance(above, otio.schema.Track):
        above = above.parent()
    return above


def _frames(span: Any) -> tuple[Fraction, Fraction]:
    rate = span.start_time.rate
    start = Fraction(span.start_time.value)
    return start, start + Fraction(span.duration.rescaled_to(rate).value)


def _off(place: Fraction) -> Fraction:
    return abs(place - round(place))


def _transitions(clip: Any, rate: Fraction) -> tuple[int, int]:
    """Frames that the transitions beside a clip take from it beyond its range."""
    track = clip.parent()
    if not isinstance(track, otio.schema.Track):
        return 0, 0
    index = track.index(clip)
    lead = _offset(track[index - 1], "in_offset", rate) if index else 0
    tail = _offset(track[index + 1], "out_offset", rate) if index + 1 < len(track) else 0
    return lead, tail


def _offset(item: Any, name: str, rate: Fraction) -> int:
    if not isinstance(item, otio.schema.Transition):
        return 0
    return math.ceil(Fraction(getattr(item, name).rescaled_to(float(rate)).value) - _BETWEEN)


def _reel(metadata: Any) -> str:
    for owner, key in _REELS:
        kept = metadata.get(owner, {})
        told = kept.get(key) if hasattr(kept, "get") else None
        if isinstance(told, str) and told:
            return told
    return ""


def _clips(name: str, media: Any) -> tuple[str, ...]:
    told = [name_of_path(getattr(media, "target_url", None) or "")]
    if isinstance(media, otio.schema.ImageSequenceReference):
        told = [media.name_prefix.rstrip("._-"), name_of_path(media.target_url_base)]
    # addresses are quoted by some writers and not by others
    return tuple(dict.fromkeys(filter(None, [name, *told, *map(unquote, told)])))


def _numbered(media: Any, offset: int | None) -> int | None:
    """Frame number that the source starts at, where its media is told as numbered files."""
    if not isinstance(media, otio.schema.ImageSequenceReference) or offset is None:
        return None
    return int(media.start_frame + offset * media.frame_step)


def _cdl(metadata: Any) -> tuple[CdlDocument | None, str]:
    kept = metadata.get("cdl", {})
    if not hasattr(kept, "get") or not kept:
        return None, ""
    try:
        sop = _nine(kept.get("asc_sop"))
        return cdl_of(sop, None if kept.get("asc_sat") is None else float(kept["asc_sat"]))
    except (TypeError, ValueError, KeyError) as error:
        return None, f"it is garbled ({error})"


def _nine(sop: Mapping[str, Any] | None) -> list[float] | None:
    if not sop:
        return None
    return [float(value) for key in ("slope", "offset", "power") for value in sop[key]]

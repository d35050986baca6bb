"""OpenTimelineIO timelines; imported only when one is read, as the library is an extra.

Metadata and markers bypass the library: it refuses a whole file for one marker of an unknown
version or one number that no double holds. They wait as text in the library's own objects.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any
from urllib.parse import unquote

import opentimelineio as otio

from gradeprep.conform import otioplaces as places
from gradeprep.conform.otioplaces import BETWEEN
from gradeprep.conform.timeline import Event, Timeline, cdl_of, name_of_path
from gradeprep.errors import RequestError
from gradeprep.model import timecode
from gradeprep.model.documents.conform import CdlDocument, Marker, Remark, Transition

__all__ = ["read"]

_REELS = (("gradeprep", "reel"), ("cmx_3600", "reel"), ("ALE", "Tape"), ("ALE", "Reel"))
"""Where a reel is kept: under our own name, and where the adapters of two formats put it."""

_KEPT = "kept"
_TIMED = ("Clip", "Gap", "Stack", "Track", "Transition")


def read(text: str) -> Timeline:
    """Events of a timeline, or of a collection of clips, in the order of the file.

    Raises:
        RequestError: The text is not OpenTimelineIO, or of a version that the library lacks.
    """
    try:
        data = _set_aside(json.loads(text))
        root: Any = otio.core.deserialize_json_from_string(json.dumps(data))
        reader = _Reader(getattr(root, "global_start_time", None))
        for item in _top(root):
            reader.item(item)
    except json.JSONDecodeError as error:
        raise RequestError(f"line {error.lineno}: not JSON: {error.msg}") from error
    except (
        otio.exceptions.OTIOError,
        ValueError,
        RecursionError,
        AttributeError,
        LookupError,
        TypeError,
        OverflowError,
    ) as error:
        raise RequestError(f"not OpenTimelineIO that can be read: {error}") from error
    return Timeline(
        events=tuple(event for event in reader.events if not event.why),
        others=tuple(event for event in reader.events if event.why),
        title=str(getattr(root, "name", "") or ""),
        remarks=tuple(reader.remarks),
    )


def _top(root: Any) -> Iterator[Any]:
    if isinstance(root, otio.schema.Timeline):
        yield root.tracks
    elif isinstance(root, otio.schema.SerializableCollection):
        for one in root:
            yield from _top(one)
    elif isinstance(root, otio.core.Item):
        yield root
    else:
        raise ValueError(f"a {type(root).__name__} is not a timeline")


def _set_aside(data: Any) -> Any:
    """The same data with metadata and markers of timed objects as one text."""
    if isinstance(data, list):
        return [_set_aside(item) for item in data]
    if not isinstance(data, dict):
        return data
    schema = str(data.get("OTIO_SCHEMA", "")).partition(".")[0]
    aside = {key: data[key] for key in ("metadata", "markers") if data.get(key)}
    if schema not in _TIMED:
        return {k: _set_aside(v) for k, v in data.items() if k not in ("metadata", "markers")}
    rest = {key: _set_aside(value) for key, value in data.items() if key not in aside}
    return {**rest, "metadata": {_KEPT: json.dumps(aside)}}


def _aside(item: Any) -> tuple[dict[str, Any], list[Any]]:
    """Metadata and markers of an object, as the file has them."""
    kept = json.loads(item.metadata.get(_KEPT, "{}"))
    metadata, markers = kept.get("metadata"), kept.get("markers")
    return (
        metadata if isinstance(metadata, dict) else {},
        markers if isinstance(markers, list) else [],
    )


@dataclass
class _Reader:
    begin: Any
    events: list[Event] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    clips: int = 0
    lanes: list[Any] = field(default_factory=list)

    def item(self, item: Any) -> None:
        """Read an object and all objects inside it."""
        if isinstance(item, otio.schema.Clip):
            self.clips += 1
            self.clip(item, f"{self.clips:03d}")
        elif isinstance(item, otio.schema.Gap):
            self.gap(item)
        elif isinstance(item, otio.core.Composition):
            nested = item.parent() is not None and item.parent().parent() is not None
            if nested and any(isinstance(one, otio.schema.TimeEffect) for one in item.effects):
                what = f"change of speed of the nested '{item.name}' is not read"
                self.remarks.append(Remark(severity="fail", what=what, remedy="flatten it"))
            for child in item:
                self.item(child)

    def lane(self, item: Any) -> int:
        track = places.track(item)
        if track is None:
            return 0
        if not any(track is known for known in self.lanes):
            self.lanes.append(track)
        return next(index for index, known in enumerate(self.lanes) if known is track)

    def gap(self, gap: Any) -> None:
        track = places.track(gap)
        if track is None or track.kind != otio.schema.TrackKind.Video:
            return
        shown = places.shown(gap)
        rate = timecode.rate(str(gap.trimmed_range().start_time.rate))
        record = places.record(gap, self.begin)
        if shown is None or rate is None or record is None or record[0] == record[1]:
            return
        enters, leaves, lead, tail = self.beside(gap, rate)
        event = self.bare(gap, "gap", lambda: f"{self.clips:03d}", rate, shown, record)
        self.events.append(event(enters=enters, leaves=leaves, lead=lead, tail=tail))

    def bare(
        self,
        item: Any,
        why: str,
        number: Any,
        rate: Fraction | None,
        shown: tuple[Fraction, Fraction],
        record: Any,
    ) -> Any:
        metadata, markers = _aside(item)
        track = places.track(item)

        def make(**more: Any) -> Event:
            found: dict[str, Any] = {
                "number": number(),
                "place": len(self.events),
                "track": "" if track is None else track.name,
                "lane": self.lane(item),
                "clip": item.name,
                "clips": (item.name,) if item.name else (),
                "start": Fraction(math.floor(shown[0] + BETWEEN)),
                "end": Fraction(math.ceil(shown[1] - BETWEEN)),
                "record": record,
                "rate": rate,
                "markers": tuple(_markers(markers)),
                "metadata": {k: _finite(v) for k, v in metadata.items() if k != "gradeprep"},
                "why": why,
            }
            return Event(**{**found, **more})

        return make

    def clip(self, clip: Any, number: str) -> None:
        def report(severity: str, what: str) -> None:
            remark = {"severity": severity, "what": what, "event": number}
            self.remarks.append(Remark.model_validate(remark))

        track = places.track(clip)
        if track is not None and track.kind != otio.schema.TrackKind.Video:
            report("note", f"sound only ({clip.name}): no plate")
            return
        media = clip.media_reference
        available = getattr(media, "available_range", None)
        span = clip.source_range or available
        rate = None if span is None else timecode.rate(str(span.start_time.rate))
        if span is None or rate is None:
            report("fail", f"{clip.name or 'the clip'} has neither a source range nor a rate")
            return
        shown = places.shown(clip)
        why = _why(clip, media, shown)
        if why:
            report("warn" if why == "disabled" else "note", f"{why}: left out ({clip.name})")
        start, end = shown or places.frames(span)
        if max(_off(start), _off(end)) > BETWEEN:
            report("note", "begins or ends between two frames; both are taken")
        first = math.floor(start + BETWEEN)
        offset = None if available is None else first - round(places.frames(available)[0])
        metadata, _ = _aside(clip)
        cdl, bad = _cdl(metadata)
        if bad:
            report("warn", f"its ASC CDL is not kept: {bad}")
        enters, leaves, lead, tail = self.beside(clip, rate, report)
        if lead or tail:
            report("note", f"transition: {lead} frames more before, {tail} after")
        make = self.bare(
            clip, why, lambda: number, rate, (start, end), places.record(clip, self.begin)
        )
        event = make(
            reel=_reel(metadata),
            clips=_clips(clip.name, media),
            files=_files(media),
            m2=self.speed(clip, rate, report),
            lead=lead,
            tail=tail,
            enters=enters,
            leaves=leaves,
            effects=tuple(_effects(clip)),
            offset=offset,
            first=_numbered(media, offset),
            cdl=cdl,
        )
        self.events.append(event)

    def beside(
        self, item: Any, rate: Fraction, report: Any = None
    ) -> tuple[Transition | None, Transition | None, int, int]:
        """Transitions into and out of an object, and the frames that they take beyond its range."""
        before, after, last = places.neighbours(item)
        enters = None if before is None else _transition(before, rate)
        out = None if after is None else _transition(after, rate)
        if report is not None and places.nested_beside(item):
            report("fail", "a transition beside a nested composition is not read; flatten it")
        return (
            enters,
            out if last else None,
            0 if enters is None else enters.before,
            0 if out is None else out.after,
        )

    @staticmethod
    def speed(clip: Any, rate: Fraction, report: Any) -> Fraction | None:
        m2 = None
        for effect in clip.effects:
            if isinstance(effect, otio.schema.LinearTimeWarp):
                scale = Fraction(effect.time_scalar).limit_denominator(10_000)
                m2 = (rate if m2 is None else m2) * scale
            elif isinstance(effect, otio.schema.TimeEffect):
                report("fail", f"unknown change of time: {effect.effect_name or effect.name}")
        return m2


def _why(clip: Any, media: Any, shown: Any) -> str:
    if not places.enabled(clip):
        return "disabled"
    if isinstance(media, otio.schema.GeneratorReference):
        return "generator"
    return "hidden" if shown is None else ""


def _off(place: Fraction) -> Fraction:
    return abs(place - round(place))


def _transition(item: Any, rate: Fraction) -> Transition:
    def frames(name: str) -> int:
        value = getattr(item, name).rescaled_to(float(rate)).value
        return math.ceil(Fraction(value) - BETWEEN)

    metadata, _ = _aside(item)
    return Transition(
        kind=item.transition_type or "transition",
        before=frames("in_offset"),
        after=frames("out_offset"),
        name=item.name,
        metadata=_finite(metadata),
    )


def _markers(markers: list[Any]) -> Iterator[Marker]:
    for one in markers:
        try:
            span = one["marked_range"]
            yield Marker(
                start=str(math.floor(Fraction(span["start_time"]["value"]) + BETWEEN)),
                length=math.ceil(Fraction(span["duration"]["value"]) - BETWEEN),
                name=str(one.get("name") or one.get("comment") or ""),
                colour=str(one.get("color") or ""),
                metadata=_finite(one.get("metadata") or {}),
            )
        except (KeyError, TypeError, ValueError, OverflowError, AttributeError):
            continue  # a marker without a place


def _finite(value: Any) -> Any:
    """Plain data with numbers that no double holds as text."""
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return str(value) if isinstance(value, int) and abs(value) >= 2**63 else value


def _reel(metadata: Mapping[str, Any]) -> str:
    for owner, key in _REELS:
        kept = metadata.get(owner)
        reel = kept.get(key) if isinstance(kept, dict) else None
        if isinstance(reel, str) and reel:
            return reel
    return ""


def _files(media: Any) -> tuple[str, ...]:
    url = getattr(media, "target_url", None) or ""
    if isinstance(media, otio.schema.ImageSequenceReference):
        url = f"{media.target_url_base}{media.name_prefix}"
    return (unquote(url),) if url else ()


def _clips(name: str, media: Any) -> tuple[str, ...]:
    names = [name_of_path(getattr(media, "target_url", None) or "")]
    if isinstance(media, otio.schema.ImageSequenceReference):
        names = [media.name_prefix.rstrip("._-"), name_of_path(media.target_url_base)]
    # some writers quote URLs, others do not
    return tuple(dict.fromkeys(filter(None, [name, *names, *map(unquote, names)])))


def _numbered(media: Any, offset: int | None) -> int | None:
    """Frame number of the source's start, if the media is a numbered sequence of files."""
    if not isinstance(media, otio.schema.ImageSequenceReference) or offset is None:
        return None
    return int(media.start_frame + offset * media.frame_step)


def _effects(clip: Any) -> Iterator[str]:
    for effect in clip.effects:
        if not isinstance(effect, otio.schema.LinearTimeWarp):
            yield effect.effect_name or effect.name or type(effect).__name__


def _cdl(metadata: Mapping[str, Any]) -> tuple[CdlDocument | None, str]:
    kept = metadata.get("cdl")
    if not isinstance(kept, dict) or not kept:
        return None, ""
    try:
        sop = _nine(kept.get("asc_sop"))
        return cdl_of(sop, None if kept.get("asc_sat") is None else float(kept["asc_sat"]))
    except (TypeError, ValueError, KeyError) as error:
        return None, f"it is malformed ({error})"


def _nine(sop: Mapping[str, Any] | None) -> list[float] | None:
    if not sop:
        return None
    return [float(value) for key in ("slope", "offset", "power") for value in sop[key]]

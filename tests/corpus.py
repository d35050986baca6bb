"""Timelines with the frames that each event must find, and a calculator of their own for these.

The calculator knows one rule and no formula: labels count up, and drop-frame leaves out the first
two labels (four at 60 a second) of each minute that is not a multiple of ten (SMPTE ST 12-1). A
plate's labels are enumerated one by one, and a frame is looked up by its label.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from filmed import stamp
from support import write_exr

__all__ = [
    "BARS",
    "FADE",
    "GAP",
    "RATES",
    "Case",
    "Clock",
    "Event",
    "Tape",
    "ale",
    "clip",
    "edl",
    "otio",
    "rated_cases",
    "span",
    "time",
    "track",
    "warp",
]

DROP_HOURS = {30: 107_892, 60: 215_784}
"""Frames of an hour of drop-frame, at 30000/1001 and at 60000/1001 (SMPTE ST 12-1)."""


@dataclass(frozen=True)
class Clock:
    """Labels at a rate."""

    rate: str
    nominal: int
    drop: bool = False

    def after(self, label: str) -> str:
        hours, minutes, seconds, frames = (int(label[i : i + 2]) for i in (0, 3, 6, 9))
        frames += 1
        if frames == self.nominal:
            frames, seconds = 0, seconds + 1
        if seconds == 60:
            seconds, minutes = 0, minutes + 1
            if self.drop and minutes % 10:
                frames = self.nominal // 15
        if minutes == 60:
            minutes, hours = 0, (hours + 1) % 24
        return self.text(hours, minutes, seconds, frames)

    def text(self, hours: int, minutes: int, seconds: int, frames: int) -> str:
        return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if self.drop else ':'}{frames:02d}"

    def walk(self, label: str, steps: int) -> list[str]:
        labels = [label]
        for _ in range(steps):
            labels.append(self.after(labels[-1]))
        return labels

    def count(self, label: str) -> int:
        """Frames since midnight, by walking to the next hour or from the last one."""
        hour = int(label[:2])
        frames = DROP_HOURS[self.nominal] if self.drop else 3600 * self.nominal
        here, ahead, steps = self.text(hour, 0, 0, 0), label, 0
        while label not in (here, self.text((hour + 1) % 24, 0, 0, 0)):
            here, label, steps = self.after(here), self.after(label), steps + 1
            if here == ahead:
                return hour * frames + steps
        return hour * frames if here == label else (hour + 1) * frames - steps


@dataclass(frozen=True)
class Tape:
    """A plate with a label a frame; ``pairs`` writes one label for two frames on disk."""

    name: str
    reel: str
    clock: Clock
    start: str
    length: int = 24
    first: int = 1001
    pairs: bool = False
    folder: str = ""
    labels: list[str] = field(default_factory=list, compare=False)

    def __post_init__(self) -> None:
        self.labels.extend(self.clock.walk(self.start, self.length))

    def write(self, root: Path) -> None:
        planes = dict.fromkeys("RGB", np.full((1, 2), 0.5, np.float16))
        for index in range(self.length):
            label = self.labels[index]
            if self.pairs:
                label = f"{label[:9]}{int(label[9:]) // 2:02d}"
            path = root / self.folder / f"{self.name}.{self.first + index:04d}.exr"
            header = {"timeCode": stamp(label), "framesPerSecond": Fraction(self.clock.rate)}
            if self.reel:
                header["reelName"] = self.reel
            write_exr(path, planes, **header)

    def frames(self, start: int, end: int) -> str:
        """Frame range of the labels from one index up to another, looked up by label."""
        number = {label: self.first + index for index, label in enumerate(self.labels)}
        found = [number[label] for label in self.labels[start:end]]
        return f"{found[0]}-{found[-1]}" if len(found) > 1 else str(found[0])


@dataclass(frozen=True)
class Event:
    """An event: labels ``start`` up to ``end`` of a tape, and the frames it must find."""

    tape: Tape
    start: int
    end: int
    frames: str = ""

    @property
    def points(self) -> tuple[str, str]:
        return self.tape.labels[self.start], self.tape.labels[self.end]

    @property
    def expected(self) -> tuple[str, str]:
        return self.tape.name, self.frames or self.tape.frames(self.start, self.end)


@dataclass(frozen=True)
class Case:
    """A timeline's text, and for each event its plate and frames, or a part of its error."""

    name: str
    suffix: str
    text: str
    expected: tuple[tuple[str, str] | str, ...]
    rate: str | None = None
    how: dict[str, object] = field(default_factory=dict)


RATES = (
    Clock("24000/1001", 24),
    Clock("24", 24),
    Clock("25", 25),
    Clock("30000/1001", 30),
    Clock("30000/1001", 30, drop=True),
    Clock("30", 30),
    Clock("48", 48),
    Clock("50", 50),
    Clock("60000/1001", 60),
    Clock("60000/1001", 60, drop=True),
    Clock("60", 60),
)


def edl(events: Sequence[Event]) -> str:
    clock = events[0].tape.clock
    lines = ["TITLE: corpus", f"FCM: {'DROP' if clock.drop else 'NON-DROP'} FRAME"]
    record = clock.text(10, 0, 0, 0)
    for number, event in enumerate(events, 1):
        end = clock.walk(record, event.end - event.start)[-1]
        points = " ".join((*event.points, record, end))
        lines.append(f"{number:03d}  {event.tape.reel:8} V     C        {points}")
        lines.append(f"* FROM CLIP NAME: {event.tape.name}")
        record = end
    return "\n".join(lines) + "\n"


def ale(events: Sequence[Event]) -> str:
    rate = f"{float(Fraction(events[0].tape.clock.rate)):.3f}"
    head = ["Heading", "FIELD_DELIM\tTABS", f"FPS\t{rate}", "", "Column"]
    rows = ["\t".join((one.tape.name, one.tape.reel, "V", *one.points)) for one in events]
    return "\n".join([*head, "Name\tTape\tTracks\tStart\tEnd", "", "Data", *rows]) + "\n"


def time(value: float, rate: float) -> dict[str, object]:
    return {"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value}


def span(start: float, length: float, rate: float) -> dict[str, object]:
    return {
        "OTIO_SCHEMA": "TimeRange.1",
        "start_time": time(start, rate),
        "duration": time(length, rate),
    }


def clip(event: Event, **more: object) -> dict[str, object]:
    clock = event.tape.clock
    start = clock.count(event.points[0])
    used = span(start, event.end - event.start, float(Fraction(clock.rate)))
    return {
        "OTIO_SCHEMA": "Clip.1",
        "name": event.tape.name,
        "source_range": used,
        "metadata": {"cmx_3600": {"reel": event.tape.reel}},
        **more,
    }


def track(*children: object, kind: str = "Video", **more: object) -> dict[str, object]:
    return {"OTIO_SCHEMA": "Track.1", "kind": kind, "children": list(children), **more}


def otio(*tracks: object) -> str:
    stack = {"OTIO_SCHEMA": "Stack.1", "children": list(tracks)}
    return json.dumps({"OTIO_SCHEMA": "Timeline.1", "name": "corpus", "tracks": stack})


def warp(scalar, name="LinearTimeWarp"):
    effect = {"OTIO_SCHEMA": f"{name}.1", "effect_name": name, "time_scalar": scalar}
    return {"effects": [effect]}


GAP = {"OTIO_SCHEMA": "Gap.1", "source_range": span(0, 10, 24)}
FADE = {
    "OTIO_SCHEMA": "Transition.1",
    "transition_type": "SMPTE_Dissolve",
    "in_offset": time(2, 24),
    "out_offset": time(3, 24),
}
BARS = {"OTIO_SCHEMA": "GeneratorReference.1", "generator_kind": "bars", "parameters": {}}


def tapes_of(clock: Clock) -> list[Tape]:
    """Plates over midnight, over a minute that drops labels, and over one that does not."""
    last = clock.nominal - 7
    return [
        Tape("night", "A001", clock, clock.text(23, 59, 59, last)),
        Tape("minute", "A002", clock, clock.text(0, 0, 59, last)),
        Tape("ten", "B001", clock, clock.text(0, 9, 59, last)),
    ]


def paired(clock: Clock) -> list[Tape]:
    """The same plates with a label for two frames; one begins with the second of a label."""
    even = clock.nominal - 8
    return [
        Tape("night", "A001", clock, clock.text(23, 59, 59, even), pairs=True),
        Tape("minute", "A002", clock, clock.text(0, 0, 59, even + 1), pairs=True),
        Tape("ten", "B001", clock, clock.text(0, 9, 59, even), pairs=True),
    ]


def events_of(tapes: Sequence[Tape]) -> list[Event]:
    return [
        Event(tape, start, end)
        for tape in tapes
        for start, end in ((0, 3), (4, 12), (7, 8), (9, 24))
    ]


def rated_cases() -> Iterator[tuple[list[Tape], Case]]:
    """Every rate in every form; over 30 frames a second the plates' labels count pairs.

    The time word of an EXR holds no frame over 29 (OpenEXR), so plates of such rates count pairs.
    """
    for clock in RATES:
        tapes = paired(clock) if clock.nominal > 30 else tapes_of(clock)
        events = events_of(tapes)
        expected = tuple(event.expected for event in events)
        kind = f"{clock.rate.replace('/', '-')}{'df' if clock.drop else ''}"
        yield tapes, Case(f"{kind}-edl", ".edl", edl(events), expected)
        yield tapes, Case(f"{kind}-ale", ".ale", ale(events), expected)
        yield tapes, Case(f"{kind}-otio", ".otio", otio(track(*map(clip, events))), expected)

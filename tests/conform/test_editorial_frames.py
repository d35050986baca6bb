"""Lists that others wrote, on invented plates: every event finds its frames.

The table of events is read by a few lines of their own, apart from the readers under test. All of
these lists are non-drop: a label is a plain count of hours, minutes, seconds and frames.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from corpus import Clock
from support import plates_folder

from gradeprep.conform.gather import gather
from gradeprep.conform.library import Library, Plate
from gradeprep.conform.names import names_of
from gradeprep.conform.read import read_timeline
from gradeprep.model.frame import Layout
from gradeprep.model.framerange import FrameRange
from gradeprep.plates.sequence import Pattern, Sequence

FPS = {"25fps.edl": Clock("25", 25), "timecode_mismatch.edl": Clock("25", 25)}
FPS["sample_cdl.ale"] = Clock("24000/1001", 24)
BEFORE = 5
LISTS = (
    *("25fps.edl", "cdl.edl", "dissolve_test.edl", "dissolve_test_3.edl", "dissolve_test_fail.edl"),
    *("screening_example.edl", "timecode_mismatch.edl", "wipe_test.edl", "sample.ale"),
    *("sample_cdl.ale", "clip_example.otio", "multitrack.otio", "screening_example.otio"),
    *("simple_cut.otio", "transition.otio"),
)


def counted(clock, label):
    hours, minutes, seconds, frames = map(int, label.split(":"))
    return (hours * 3600 + minutes * 60 + seconds) * clock.nominal + frames


def labelled(clock, count):
    seconds, frames = divmod(count, clock.nominal)
    return clock.text(seconds // 3600, seconds // 60 % 60, seconds % 60, frames)


def edl(text, clock):
    """Clip, first count, length of each event, by the layout of the lines alone."""
    found = []
    for line in text.splitlines():
        words = line.split()
        if len(words) >= 8 and words[0].isdigit():
            length = int(words[4]) if words[3] != "C" else 0
            if length:
                found[-1][2] += length
            found.append(["", counted(clock, words[-4]), 0, length])
            found[-1][2] += counted(clock, words[-3]) - found[-1][1]
        elif match := re.match(r"\* (FROM|TO) CLIP NAME:\s+(.*\S)", line):
            outgoing = match[1] == "FROM" and found[-1][3]
            found[-2 if outgoing else -1][0] = match[2]
    return [event[:3] for event in found]


def ale(text, clock):
    lines = text.splitlines()
    columns = lines[lines.index("Column") + 1].split("\t")
    rows = [dict(zip(columns, line.split("\t"), strict=False)) for line in lines]
    rows = rows[lines.index("Data") + 1 :]
    starts = [
        (row["Name"], *(counted(clock, row[key]) for key in ("Start", "End"))) for row in rows
    ]
    return [[name, start, end - start] for name, start, end in starts]


def otio(text, clock):
    found = []
    for track in json.loads(text)["tracks"]["children"]:
        children = track["children"]
        for index, one in enumerate(children):
            if not one["OTIO_SCHEMA"].startswith("Clip"):
                continue
            span = one["source_range"] or one["media_reference"]["available_range"]
            start, length = (int(span[key]["value"]) for key in ("start_time", "duration"))
            before, after = children[max(0, index - 1)], [*children, {}][index + 1]
            lead = int(before.get("in_offset", {"value": 0})["value"])
            tail = int(after.get("out_offset", {"value": 0})["value"])
            found.append([one["name"], start - lead, length + lead + tail])
    return found


def plate(name, first, last, clock):
    """A plate in memory; nothing of it is on disk."""

    def header(count):
        return Layout("exr", (), timecode=labelled(clock, count), rate=clock.rate)

    frames = FrameRange.of(range(1001, 1002 + last - first))
    files = Sequence(Pattern(Path("plates"), f"{name}.", 4, ".exr"), frames)
    return Plate(files, header(first), header(last), names_of(f"{name}.exr"))


@pytest.mark.parametrize("name", LISTS)
def test_every_event_finds_its_frames(name):
    path = plates_folder() / "editorial" / name
    clock = FPS.get(name, Clock("24", 24))
    read = {".edl": edl, ".ale": ale, ".otio": otio}[path.suffix]
    table = read(path.read_text(encoding="utf-8"), clock)
    table = [(re.sub(r" \(LAY\d\)$|\.mov$|\.mp4$", "", clip), *span) for clip, *span in table]
    ends = {}
    for clip, start, length in table:
        low, high = ends.get(clip, (start, start + length))
        ends[clip] = min(low, start), max(high, start + length)
    first = {clip: max(0, low - BEFORE) for clip, (low, _) in ends.items()}
    plates = [plate(clip, first[clip], high + BEFORE, clock) for clip, (_, high) in ends.items()]

    found = gather(read_timeline(path), Library(tuple(plates), ()))
    assert [remark for remark in found.remarks if remark.severity == "fail"] == []
    got = sorted(
        (use.plate.files.pattern.head.rstrip("."), event.frames)
        for use in found.shots.values()
        for event in use.events
    )
    wanted = [(clip, 1001 + start - first[clip], length) for clip, start, length in table]
    assert got == sorted(
        (clip, str(FrameRange.of(range(at, at + length)))) for clip, at, length in wanted
    )

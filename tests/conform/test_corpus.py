"""The corpus: every event of every timeline finds its frames, or fails by name."""

from __future__ import annotations

import unicodedata
from fractions import Fraction
from functools import cache, partial

import pytest
from corpus import (
    BARS,
    FADE,
    GAP,
    Case,
    Clock,
    Event,
    Tape,
    clip,
    otio,
    rated_cases,
    span,
    track,
    warp,
)

from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.match import Choice
from gradeprep.conform.read import read_timeline

RATED = list(rated_cases())
CLOCK = Clock("24", 24)
QUAY = Tape("quay", "A001", CLOCK, "01:00:00:00")
LOFT = Tape("loft", "B001", CLOCK, "02:00:00:00")
SLIP = Tape("slip", "B001_C003_0501AB", CLOCK, "02:10:00:00")
FIRST = Tape("hull", "", CLOCK, "03:00:00:00", folder="C001/hull")
SECOND = Tape("hull", "", CLOCK, "03:00:00:00", folder="C002/hull", first=2001)
OLD = Tape("mast_v001", "D001", CLOCK, "04:00:00:00", folder="mast")
NEW = Tape("mast_v002", "D001", CLOCK, "04:00:00:00", folder="mast", first=3001)
SMALL = Tape("sail", "E001", CLOCK, "05:00:00:00", folder="1920x1080")
LARGE = Tape("sail", "E001", CLOCK, "05:00:00:00", folder="3840x2160", first=4001)
ACCENT = Tape(unicodedata.normalize("NFD", "pêcheur"), "F001", CLOCK, "06:00:00:00")
OAR = Tape("oar", "", CLOCK, "07:00:00:00")
TAPES = (QUAY, LOFT, SLIP, OAR, FIRST, SECOND, OLD, NEW, SMALL, LARGE, ACCENT)
ONE = "10:00:00:00 10:00:00:04"


def lines(*rows):
    return "\n".join(["TITLE: corpus", "FCM: NON-DROP FRAME", *rows]) + "\n"


def event(reel, tape, start, end, kind="C", record=ONE, number=1):
    points = f"{tape.labels[start]} {tape.labels[end]}"
    return f"{number:03d}  {reel} V {kind} {points} {record}"


def plain(name, text, *expected, suffix=".edl", rate=None, **how):
    return Case(name, suffix, text, expected, rate, how)


FOUR = ("quay", "1005-1008")


def speed(name, m2, start, end, frames):
    row = event("A001", QUAY, start, end)
    return plain(name, lines(row, f"M2   A001       {m2}   {QUAY.labels[start]}"), ("quay", frames))


def note(name, text):
    return plain(f"note-{name}", lines(event("AX", QUAY, 4, 8), text), FOUR)


def dissolve(name, kind, *more):
    """A cut, then a transition of six frames from what was cut to."""
    rows = (
        event("A001", QUAY, 2, 6),
        event("A001", QUAY, 6, 6, record="10:00:00:04 10:00:00:04", number=2),
        event("B001", LOFT, 3, 13, f"{kind} 006", "10:00:00:04 10:00:00:14", number=2),
    )
    return plain(
        name, lines(*rows, *more), ("quay", "1003-1006"), ("quay", "1007-1012"),
        ("loft", "1004-1013"),
    )  # fmt: skip


def clips(*items, **more):
    return otio(track(*items, **more))


def used(tape, start, end, **more):
    return clip(Event(tape, start, end), **more)


timeline = partial(plain, suffix=".otio")
log = partial(plain, suffix=".ale")
ROW = f"quay\tA001\t{QUAY.labels[4]}\t{QUAY.labels[8]}"
NESTED = {"OTIO_SCHEMA": "Stack.1", "children": [track(used(QUAY, 0, 10), used(LOFT, 0, 10))]}
TRIM = {**NESTED, "source_range": span(4, 10, 24)}

CASES = [
    # transitions
    dissolve("dissolve", "D"),
    dissolve("wipe", "W001"),
    dissolve("key", "K"),
    dissolve("dissolve-named", "D", "EFFECTS NAME IS CROSS DISSOLVE", "* FROM CLIP NAME: quay"),
    plain("to-black", lines(event("A001", QUAY, 4, 8),
          "002 BL V D 006 00:00:00:00 00:00:00:06 10:00:00:04 10:00:00:10"), ("quay", "1005-1014")),
    plain("from-black", lines("001 BL V C 00:00:00:00 00:00:00:00 10:00:00:00 10:00:00:00",
          event("A001", QUAY, 4, 8, "D 004")), FOUR),
    # speeds: frames at start + k * speed for each k of the record (4 frames)
    speed("speed-200", "048.0", 4, 8, "1005-1012"),
    speed("speed-200-as-played", "048.0", 4, 12, "1005-1012"),
    speed("speed-50", "012.0", 4, 8, "1005-1006"),
    speed("speed-150", "036.0", 4, 8, "1005-1010"),
    speed("speed-23.976", "023.976", 4, 8, "1005-1008"),
    speed("freeze", "000.0", 4, 8, "1005"),
    speed("reverse", "-024.0", 8, 12, "1006-1012"),  # either end may be its first
    speed("reverse-out-before-in", "-024.0", 8, 4, "1005-1009"),
    speed("reverse-200-out-before-in", "-048.0", 12, 4, "1005-1013"),
    plain("freeze-by-note", lines(event("A001", QUAY, 4, 8), "* FREEZE FRAME"), ("quay", "1005")),
    plain("reverse-without-speed", lines(event("A001", QUAY, 8, 4)), "ends before it begins"),
    # notes as lists have them
    note("plain", "* FROM CLIP NAME: quay"),
    note("lower-case", "* from clip name: quay"),
    note("without-star", "FROM CLIP NAME: quay"),
    note("without-colon", "* FROM CLIP NAME quay"),
    note("is", "FROM CLIP NAME IS quay"),
    note("source-file", "* SOURCE FILE: /shoot/day 1/quay.mov"),
    note("file-with-frames", "* SOURCE FILE: quay.[1001-1024].exr"),
    note("suffix-dots", "* FROM CLIP NAME: quay.new.01"),
    note("suffix-sub", "* FROM CLIP NAME: quay.Sub.01"),
    note("suffix-brackets", "* FROM CLIP NAME: quay (LAY3)"),
    note("reel", "* REEL: A001"),
    # reels and names
    plain("reel-alone", lines(event("A001", QUAY, 4, 8)), FOUR),
    plain("roll", lines(event("B001", SLIP, 4, 8), "* FROM CLIP NAME: slip"),
          ("slip", "1005-1008")),
    plain("cut-reel", lines(event("B001_C00", SLIP, 4, 8)), ("slip", "1005-1008")),
    plain("whole-reel", lines(event("B001_C003_0501AB", SLIP, 4, 8)), ("slip", "1005-1008")),
    plain("roll-and-timecode", lines(event("B001", LOFT, 4, 8)), ("loft", "1005-1008")),
    plain("reel-folder", lines(event("C002", SECOND, 4, 8), "* FROM CLIP NAME: hull"),
          ("C002_hull", "2005-2008")),
    plain("two-reel-folders", lines(event("C001", FIRST, 4, 8), "* FROM CLIP NAME: hull",
          event("C002", SECOND, 4, 8, number=2), "* FROM CLIP NAME: hull"),
          ("C001_hull", "1005-1008"), ("C002_hull", "2005-2008")),
    plain("unknown-reel-folder", lines(event("C009", FIRST, 4, 8), "* FROM CLIP NAME: hull",
          event("C001", FIRST, 4, 8, number=2), "* FROM CLIP NAME: hull",
          event("C002", FIRST, 4, 8, number=3), "* FROM CLIP NAME: hull"),
          "not 'C009'", ("C001_hull", "1005-1008"), ("C002_hull", "2005-2008")),
    plain("composed-name", lines(event("F001", ACCENT, 4, 8), "* FROM CLIP NAME: pêcheur"),
          ("pe_cheur", "1005-1008")),
    plain("versions", lines(event("D001", OLD, 4, 8)), "more than one plate"),
    plain("latest", lines(event("D001", OLD, 4, 8)), ("mast_v002", "3005-3008"), latest=True),
    plain("version-by-name", lines(event("D001", OLD, 4, 8), "* FROM CLIP NAME: mast_v001"),
          ("mast_v001", "1005-1008"), latest=True),
    plain("name-without-version", lines(event("AX", OLD, 4, 8), "* FROM CLIP NAME: mast_v003"),
          ("mast_v002", "3005-3008"), latest=True),
    plain("sizes", lines(event("E001", SMALL, 4, 8)), "choose with --latest, --prefer or"),
    plain("prefer", lines(event("E001", SMALL, 4, 8)), ("3840x2160_sail", "4005-4008"),
          prefer=("3840*",)),
    plain("exclude", lines(event("E001", SMALL, 4, 8)), ("sail", "1005-1008"), exclude=("3840*",)),
    # contradictions
    plain("missing-name", lines(event("AX", QUAY, 4, 8), "* FROM CLIP NAME: quay_020"),
          "no plate has name 'quay_020'"),
    plain("missing-name-on-a-reel", lines(event("A001", QUAY, 4, 8), "* FROM CLIP NAME: quay_020"),
          "no plate has the name 'quay_020'"),
    plain("missing-reel", lines(event("Z001", QUAY, 4, 8)), "no plate has reel 'Z001'"),
    plain("name-of-another-reel", lines(event("Z001", QUAY, 4, 8), "* FROM CLIP NAME: quay"),
          "of reel 'A001', not 'Z001'"),
    plain("reel-and-name-of-two", lines(event("B001", QUAY, 4, 8), "* FROM CLIP NAME: quay"),
          "name 'quay' quay.####.exr"),
    plain("reel-of-one-name-of-another", lines(event("A001", OAR, 4, 8), "* FROM CLIP NAME: oar"),
          "reel 'A001' is quay.####.exr, name 'oar' oar.####.exr"),
    plain("name-of-no-reel", lines(event("Z009", OAR, 4, 8), "* FROM CLIP NAME: oar"),
          ("oar", "1005-1008")),
    plain("bars", lines(event("BARS", QUAY, 4, 8), "* FROM CLIP NAME: Bars and Tone"),
          "no plate has reel 'BARS' or name 'Bars and Tone'"),
    plain("by-timecode", lines(event("AX", QUAY, 4, 8), "* FROM CLIP NAME: 12A-3"), FOUR,
          by_timecode=True),
    plain("by-timecode-owned", lines(event("A001", QUAY, 4, 8), event("AX", QUAY, 4, 8, number=2),
          "* FROM CLIP NAME: 12A-3"), FOUR, "none that is free", by_timecode=True),
    plain("outside", lines("001 A001 V C 09:00:00:00 09:00:00:04 " + ONE), "is not in quay"),
    plain("partly-outside", lines("001 A001 V C 01:00:00:20 01:00:01:04 " + ONE),
          ("quay", "1021-1024")),
    # OpenTimelineIO
    timeline("otio-transition", clips(used(QUAY, 4, 8), FADE, used(LOFT, 4, 8)),
             ("quay", "1005-1011"), ("loft", "1003-1008")),
    timeline("otio-fade-out", clips(used(QUAY, 4, 8), FADE, GAP), ("quay", "1005-1011")),
    timeline("otio-speed", clips(used(QUAY, 4, 8, **warp(2.0))), ("quay", "1005-1012")),
    timeline("otio-slow", clips(used(QUAY, 4, 8, **warp(0.5))), ("quay", "1005-1006")),
    timeline("otio-reverse", clips(used(QUAY, 8, 12, **warp(-1.0))), ("quay", "1006-1012")),
    timeline("otio-freeze", clips(used(QUAY, 4, 8, **warp(0.0, "FreezeFrame"))), ("quay", "1005")),
    timeline("otio-gap", clips(GAP, used(QUAY, 4, 8), GAP, used(LOFT, 4, 8)), FOUR,
             ("loft", "1005-1008")),
    timeline("otio-two-tracks", otio(track(used(QUAY, 4, 8)), track(used(LOFT, 4, 8))), FOUR,
             ("loft", "1005-1008")),
    timeline("otio-sound", otio(track(used(QUAY, 4, 8)), track(used(LOFT, 4, 8), kind="Audio")),
             FOUR),
    timeline("otio-nested", clips(GAP, NESTED), ("quay", "1001-1010"), ("loft", "1001-1010")),
    timeline("otio-nested-trimmed", clips(GAP, TRIM), ("quay", "1005-1010"), ("loft", "1001-1004")),
    timeline("otio-disabled", clips(used(QUAY, 4, 8, enabled=False), used(LOFT, 4, 8)),
             ("loft", "1005-1008")),
    timeline("otio-generator", clips(used(QUAY, 4, 8, media_reference=BARS), used(LOFT, 4, 8)),
             ("loft", "1005-1008")),
    timeline("otio-infinite", clips(used(QUAY, 4, 8)).replace(
             '"metadata": {', '"metadata": {"a": Infinity, "b": 1e999, "c": NaN, '), FOUR),
    timeline("otio-rate", clips(used(QUAY, 4, 8)).replace('"rate": 24.0', '"rate": 25.0'), FOUR,
             rate="24"),
    timeline("otio-wrong-rate", clips(used(QUAY, 4, 8)).replace('"rate": 24.0', '"rate": 25.0'),
             "rate mismatch"),
    # ALE
    log("ale-one-line", f"Heading\tFIELD_DELIM\tTABS\tFPS\t24\nColumn\nName\tTape\tStart\tEnd\n"
        f"Data\n{ROW}\n", FOUR),
    log("ale-one-line-spaces", "Heading FIELD_DELIM TABS VIDEO_FORMAT 1080 FPS 24\nColumn\n"
        f"Name\tTape\tStart\tEnd\nData\n{ROW}\n", FOUR),
    log("ale-duration", "Heading\nFPS\t24\nColumn\nName\tTape\tStart\tDuration\nData\n"
        f"quay\tA001\t{QUAY.labels[4]}\t00:00:00:04\n", FOUR),
]  # fmt: skip


@cache
def library_of(folder, exclude):
    return find_plates(folder, exclude)


def result_of(case, folder, tmp_path):
    path = tmp_path / f"{case.name}{case.suffix}"
    path.write_text(case.text, encoding="utf-8")
    how = dict(case.how)
    library = library_of(folder, how.pop("exclude", ()))
    rate = None if case.rate is None else Fraction(case.rate)
    return gather(read_timeline(path, rate), library, choice=Choice(**how))


def check(case, folder, tmp_path):
    found = result_of(case, folder, tmp_path)
    events = sorted(
        (one.line or 0, one.event, name, one.frames)
        for name, use in found.shots.items()
        for one in use.events
    )
    assert [(name, frames) for *_, name, frames in events] == [
        one for one in case.expected if not isinstance(one, str)
    ]
    errors = [str(one) for one in found.remarks if one.severity == "fail"]
    wanted = [one for one in case.expected if isinstance(one, str)]
    if case.name == "partly-outside":
        wanted = ["4 of its 8 frames are not in quay"]
    assert len(errors) == len(wanted), errors
    for error, part in zip(errors, wanted, strict=True):
        assert part in error


@pytest.fixture(scope="module")
def plates(tmp_path_factory):
    """A folder of plates for each set of tapes, written once."""
    folders = {}

    def folder_of(tapes):
        key = tuple((tape.name, tape.clock, tape.pairs) for tape in tapes)
        if key not in folders:
            folders[key] = tmp_path_factory.mktemp("plates")
            for tape in tapes:
                tape.write(folders[key])
        return folders[key]

    return folder_of


@pytest.mark.parametrize(("tapes", "case"), RATED, ids=[case.name for _, case in RATED])
def test_every_rate_in_every_form(tapes, case, plates, tmp_path):
    check(case, plates(tapes), tmp_path)


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_every_kind_of_event(case, plates, tmp_path):
    check(case, plates(TAPES), tmp_path)


def test_the_corpus_is_large():
    names = [case.name for _, case in RATED] + [case.name for case in CASES]
    assert len(set(names)) == len(names) >= 60


def test_the_calculator_agrees_with_the_standard():
    """An hour of drop-frame has 107,892 frames (SMPTE ST 12-1)."""
    drop = Clock("30000/1001", 30, drop=True)
    assert len(drop.walk("00:00:00;00", 107_892)) == 107_893
    assert drop.walk("00:00:00;00", 107_892)[-1] == "01:00:00;00"
    assert drop.count("23:59:59;29") == 24 * 107_892 - 1
    assert drop.after("00:00:59;29") == "00:01:00;02"
    assert drop.after("00:09:59;29") == "00:10:00;00"

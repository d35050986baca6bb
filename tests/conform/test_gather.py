"""Events to plates and frames: what finds what, at which rate, and what is reported."""

from __future__ import annotations

from fractions import Fraction

import opentimelineio as otio
import pytest
from filmed import edl, write_plate
from support import run

from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates, names_of
from gradeprep.conform.read import read_timeline
from gradeprep.errors import MissingPlateError
from gradeprep.plates.dpxheader import patched


def conformed(folder, *lines, rate=None, fcm="NON-DROP FRAME", **how):
    path = edl(folder / "cut.edl", *lines, fcm=fcm)
    return gather(read_timeline(path, rate), find_plates(folder), **how)


def conformed_log(folder, rate):
    rows = ["Heading", f"FPS\t{rate}", "Column", "Tape\tStart\tEnd", "Data"]
    path = folder / "log.ale"
    path.write_text("\n".join([*rows, "A001\t01:00:00:04\t01:00:00:08"]), encoding="utf-8")
    return gather(read_timeline(path), find_plates(folder))


def frames(found):
    return {name: str(use.frames) for name, use in found.shots.items()}


def said(found, severity):
    return [str(remark) for remark in found.remarks if remark.severity == severity]


def cut(reel="A001", source="01:00:00:04 01:00:00:08", record="10:00:00:00 10:00:00:04", number=1):
    return f"{number:03d}  {reel} V C {source} {record}"


# ---------------------------------------------------------------- what finds what


def test_the_reel_of_the_header_is_first(tmp_path):
    write_plate(tmp_path, "shot_a", reel="A001")
    write_plate(tmp_path / "A001", "other", reel="B001")
    found = conformed(tmp_path, cut(), "* FROM CLIP NAME: shot_a")
    assert frames(found) == {"shot_a": "1005-1008"}
    assert found.shots["shot_a"].events[0].found == "reel and name"


def test_names_of_files_and_folders_serve_as_reels(tmp_path):
    write_plate(tmp_path / "A001", "x")
    write_plate(tmp_path, "A002")
    found = conformed(tmp_path, cut(), cut("A002", number=2))
    assert frames(found) == {"x": "1005-1008", "A002": "1005-1008"}


def test_then_the_clip_name(tmp_path):
    write_plate(tmp_path, "quay_0100", reel="OTHER")
    found = conformed(tmp_path, cut("AX"), "* FROM CLIP NAME: Quay_0100.[1001-1024].exr")
    assert found.shots["quay_0100"].events[0].found == "name"


def test_then_the_timecode_and_that_is_reported(tmp_path):
    write_plate(tmp_path, "early", "00:59:00:00")
    write_plate(tmp_path, "late", "01:00:00:00")
    found = conformed(tmp_path, cut("AX"))
    assert frames(found) == {"late": "1005-1008"}
    assert "identified by timecode alone: late" in said(found, "warn")[0]


def test_timecode_alone_finds_no_plate_of_another_reel(tmp_path):
    write_plate(tmp_path, "late", reel="B001")
    found = conformed(tmp_path, cut("A001"))
    assert frames(found) == {}
    assert said(found, "fail") == [
        "line 3, event 001: no plate has reel 'A001'; add the folder that holds it"
    ]


def test_takes_on_one_reel_are_distinguished(tmp_path):
    write_plate(tmp_path, "t1", "01:00:00:00", reel="A001")
    write_plate(tmp_path, "t2", "01:10:00:00", reel="A001")
    write_plate(tmp_path, "t3", "01:10:00:00", reel="A001")
    later = "01:10:00:04 01:10:00:08"
    found = conformed(
        tmp_path,
        cut(),  # by timecode
        cut(source=later, number=2),  # two are left
        cut(source=later, number=3),
        "* FROM CLIP NAME: t3",
    )
    assert frames(found) == {"t1": "1005-1008", "t3": "1005-1008"}
    assert found.shots["t1"].events[0].found == "reel and timecode"
    assert found.shots["t3"].events[0].found == "reel and name"
    (miss,) = said(found, "fail")
    assert "line 4, event 002: reel 'A001' is more than one plate" in miss


def test_reels_equal_in_eight_characters_are_ambiguous(tmp_path):
    write_plate(tmp_path, "one", reel="A005_C010_0501")
    write_plate(tmp_path, "two", reel="A005_C011_0501")
    found = conformed(tmp_path, cut("A005_C01"), cut("A005_C011_0501", number=2))
    assert frames(found) == {"two": "1005-1008"}
    (miss,) = said(found, "fail")
    assert "line 3, event 001: reel 'A005_C01' is the first eight characters of several" in miss


def test_a_cut_reel_that_fits_one_plate_is_reported(tmp_path):
    write_plate(tmp_path, "one", reel="A005_C010_0501")
    found = conformed(tmp_path, cut("A005_C01"))
    assert frames(found) == {"one": "1005-1008"}
    assert "has eight characters: taken for A005_C010_0501" in said(found, "warn")[0]
    assert frames(conformed(tmp_path, cut("A005_C0"))) == {}  # seven are no cut of eight


def test_a_pulled_plate_gives_way_to_its_source(tmp_path, capsys):
    plate = write_plate(tmp_path / "hot", "quay", reel="A001")
    ran = run(capsys, "pull", plate, tmp_path / "out/quay.####.exr", "--stops", -1,
              "--space", "ACEScg", "--quiet")  # fmt: skip
    assert ran.code == 0, ran
    found = conformed(tmp_path, cut())
    assert "hot" in str(found.shots["hot_quay"].plate.files.pattern)


@pytest.mark.parametrize(
    ("text", "bare"),
    [
        ("Quay_0100.1001.exr", "quay_0100"),
        ("quay_0100.%04d.dpx", "quay_0100"),
        ("quay_0100_####.exr", "quay_0100"),
        ("D:\\shoot\\quay_0100.mov", "quay_0100"),
        ("A005_C010_0501J0", "a005_c010_0501j0"),
        ("quay_0100", "quay_0100"),  # a number that is no frame stays
    ],
)
def test_names_in_all_their_forms(text, bare):
    assert bare in names_of(text)
    assert "quay" not in names_of(text)


def test_a_folder_without_plates_is_refused(tmp_path):
    with pytest.raises(MissingPlateError, match="no plate found"):
        find_plates(tmp_path)
    with pytest.raises(MissingPlateError, match="no such folder"):
        find_plates(tmp_path / "none")


def test_a_header_of_another_reel_than_the_folder_is_reported(tmp_path):
    write_plate(tmp_path / "A001", "quay", reel="B007")
    found = conformed(tmp_path, cut(), "* FROM CLIP NAME: quay")
    assert frames(found) == {"quay": "1005-1008"}
    assert (
        "reel 'A001' is in the path of quay.####.exr; its header has 'B007'"
        in (said(found, "warn")[0])
    )


def test_a_device_in_a_dpx_header_contradicts_no_reel(tmp_path):
    write_plate(tmp_path, "quay", kind="dpx")
    for path in tmp_path.glob("*.dpx"):
        raw = path.read_bytes()
        path.write_bytes(patched(raw[:2048], input_device="SCANNER 1") + raw[2048:])
    found = conformed(tmp_path, cut(), "* FROM CLIP NAME: quay")
    assert frames(found) == {"quay": "1005-1008"}


# ---------------------------------------------------------------- rates (SMPTE ST 12-1)


@pytest.mark.parametrize(
    ("rate", "start", "source", "per_label", "expected"),
    [
        ("24000/1001", "01:00:00:00", "01:00:00:04 01:00:00:08", 1, "1005-1008"),
        ("25", "01:00:00:20", "01:00:01:00 01:00:01:05", 1, "1006-1010"),
        ("30000/1001", "01:00:59:28", "01:00:59:29 01:01:00:02", 1, "1002-1004"),
        # the labels 01:00:00 and 01:00:01 of the minute do not exist: the next frame is ;02
        ("30000/1001", "00:00:59;28", "00:00:59;29 00:01:00;04", 1, "1002-1004"),
        ("48", "01:00:00:02", "01:00:00:06 01:00:00:10", 1, "1005-1008"),
        ("48", "01:00:00:20", "01:00:00:46 01:00:01:02", 2, "1007-1010"),
        ("50", "01:00:00:20", "01:00:00:46 01:00:01:00", 2, "1007-1010"),
        ("60", "01:00:00:25", "01:00:00:58 01:00:01:02", 2, "1009-1012"),
        ("60000/1001", "00:00:59;25", "00:00:59;58 00:01:00;06", 2, "1009-1012"),
    ],
)
def test_frames_at_every_rate(rate, start, source, per_label, expected, tmp_path):
    write_plate(tmp_path, "A001", start, rate=rate, per_label=per_label)
    found = conformed(tmp_path, cut(source=source, record=source))
    assert frames(found) == {"A001": expected}
    assert found.remarks == ()
    assert Fraction(found.shots["A001"].events[0].rate) == Fraction(rate)


def test_half_a_pair_at_the_start_counts(tmp_path):
    """A plate that begins with the second frame of a label."""
    write_plate(tmp_path, "A001", "01:00:00:10", rate="50", per_label=2)
    (tmp_path / "A001.1001.exr").unlink()
    source = "01:00:00:21 01:00:00:23"
    found = conformed(tmp_path, cut(source=source, record=source))
    assert frames(found) == {"A001": "1002-1003"}


def test_a_label_left_out_by_drop_frame_is_refused(tmp_path):
    write_plate(tmp_path, "A001", "00:00:59;20", rate="30000/1001")
    found = conformed(tmp_path, cut(source="00:01:00;00 00:01:00;04"))
    assert (
        "label 00:01:00;00 does not exist at 30000/1001 frames a second" in said(found, "fail")[0]
    )


def test_drop_frame_against_non_drop_is_a_mismatch(tmp_path):
    write_plate(tmp_path, "A001", "01:00:00:00", rate="30000/1001")
    found = conformed(tmp_path, cut(source="01:00:00;04 01:00:00;08"))
    assert (
        "its labels are drop-frame, those of A001.####.exr are non-drop" in said(found, "fail")[0]
    )


def test_colons_under_a_drop_frame_heading(tmp_path):
    write_plate(tmp_path, "A001", "00:00:59;28", rate="30000/1001")
    source = "00:00:59:29 00:01:00:04"
    found = conformed(tmp_path, cut(source=source, record=source), fcm="DROP FRAME")
    assert frames(found) == {"A001": "1002-1004"}
    assert found.remarks == ()


def test_rates_that_label_alike_are_reported_and_others_left_out(tmp_path):
    write_plate(tmp_path, "A001", rate="24000/1001")
    near = conformed_log(tmp_path, 24)
    assert frames(near) == {"A001": "1005-1008"}
    assert "rate mismatch: timeline 24 frames" in said(near, "warn")[0]
    far = conformed_log(tmp_path, 25)
    assert frames(far) == {}
    assert "rate mismatch: timeline 25 frames" in said(far, "fail")[0]


def test_a_given_rate_overrides_a_wrong_header(tmp_path):
    write_plate(tmp_path, "A001", "01:00:01:00", rate="24")
    source = "01:00:01:04 01:00:01:08"
    found = conformed(tmp_path, cut(source=source), rate=Fraction(25))
    assert frames(found) == {"A001": "1005-1008"}
    assert "--rate 25 overrides the 24 of A001.####.exr" in said(found, "note")[0]
    wide = cut(source="01:00:01:20 01:00:02:00")  # 5 frames at 25 labels a second
    assert "1021" in frames(conformed(tmp_path, wide, rate=Fraction(25)))["A001"]


def test_an_unknown_rate_is_asked_for(tmp_path):
    write_plate(tmp_path, "A001", rate=None)
    assert "give it with --rate" in said(conformed(tmp_path, cut()), "fail")[0]
    assert frames(conformed(tmp_path, cut(), rate=Fraction(24))) == {"A001": "1005-1008"}


def test_without_timecode_frame_numbers_are_counts(tmp_path):  # common practice, no source
    write_plate(tmp_path, "A001", None, first=86_400)
    found = conformed(tmp_path, cut())
    assert frames(found) == {"A001": "86404-86407"}
    assert said(found, "warn") == [
        "line 3, event 001: A001.#####.exr has no timecode: matched by frame number"
    ]


def test_over_midnight(tmp_path):
    write_plate(tmp_path, "A001", "23:59:59:20")
    found = conformed(tmp_path, cut(source="23:59:59:22 00:00:00:02"))
    assert frames(found) == {"A001": "1003-1006"}


@pytest.mark.parametrize("gone", [1002, 1005])
def test_pairs_with_a_missing_frame(gone, tmp_path):
    write_plate(tmp_path, "A001", "01:00:00:10", rate="50", per_label=2)
    (tmp_path / f"A001.{gone}.exr").unlink()
    source = "01:00:00:26 01:00:00:30"
    found = conformed(tmp_path, cut(source=source, record=source))
    assert frames(found) == {"A001": "1007-1010"}


def test_pairs_whose_timecode_jumps(tmp_path):
    write_plate(tmp_path, "A001", "01:00:00:10", rate="50", per_label=2, frames=9)
    write_plate(tmp_path, "A001", "02:00:00:00", rate="50", per_label=2, frames=9, first=1010)
    source = "02:00:00:03 02:00:00:06"
    found = conformed(tmp_path, cut(source=source, record=source))
    assert frames(found) == {"A001": "1013-1015"}


def test_a_plate_whose_timecode_jumps(tmp_path):
    write_plate(tmp_path, "A001", "01:00:00:00", frames=10)
    write_plate(tmp_path, "A001", "02:00:00:00", frames=10, first=1011)
    found = conformed(tmp_path, cut(), cut(source="02:00:00:04 02:00:00:08", number=2))
    assert frames(found) == {"A001": "1005-1008,1015-1018"}


# ---------------------------------------------------------------- handles, unions, gaps


def test_handles_are_clamped_and_reported(tmp_path):
    write_plate(tmp_path, "A001")
    found = conformed(tmp_path, cut(), handles=8)
    assert frames(found) == {"A001": "1001-1016"}
    assert found.shots["A001"].events[0].handles == (4, 8)
    assert "handles of 4 before and 8 after" in said(found, "note")[0]


def test_a_plate_is_one_shot_and_no_frame_comes_twice(tmp_path):
    write_plate(tmp_path, "A001")
    lines = (cut(), cut(source="01:00:00:06 01:00:00:10", number=2))
    assert frames(conformed(tmp_path, *lines)) == {"A001": "1005-1010"}
    assert frames(conformed(tmp_path, *lines, per_event=True)) == {
        "A001_e001": "1005-1008",
        "A001_e002": "1007-1010",
    }


def test_missing_frames_are_reported(tmp_path):
    write_plate(tmp_path, "A001")
    (tmp_path / "A001.1006.exr").unlink()
    found = conformed(tmp_path, cut())
    assert frames(found) == {"A001": "1005,1007-1008"}
    assert "1 of its 4 frames are not in A001.####.exr" in said(found, "fail")[0]
    beyond = conformed(tmp_path, cut(source="03:00:00:00 03:00:00:04"))
    assert frames(beyond) == {}
    assert "which has timecode 01:00:00:00 to 01:00:00:23" in said(beyond, "fail")[0]


def test_plates_of_one_name_are_called_by_their_folders(tmp_path):
    write_plate(tmp_path / "day_1", "a", reel="R1")
    write_plate(tmp_path / "day_2", "a", reel="R2")
    assert set(frames(conformed(tmp_path, cut("R1"), cut("R2", number=2)))) == {
        "day_1_a",
        "day_2_a",
    }


def test_a_torn_plate_is_left_out_and_reported(tmp_path):
    write_plate(tmp_path, "A001")
    (tmp_path / "B.1001.exr").write_bytes(b"\x76\x2f\x31\x01")
    found = conformed(tmp_path, cut())
    assert frames(found) == {"A001": "1005-1008"}
    assert "plate left out" in said(found, "warn")[0]


# ---------------------------------------------------------------- speed


@pytest.mark.parametrize(
    ("m2", "source", "expected", "says"),
    [
        ("048.0", "01:00:00:04 01:00:00:08", "1005-1012", "speed 200 %: 8 source frames for 4"),
        ("048.0", "01:00:00:04 01:00:00:12", "1005-1012", "speed 200 %: 8 source frames for 4"),
        ("012.0", "01:00:00:04 01:00:00:08", "1005-1006", "speed 50 %: 2 source frames for 4"),
        ("000.0", "01:00:00:04 01:00:00:08", "1005", "freeze of one frame for 4"),
        ("-024.0", "01:00:00:10 01:00:00:14", "1008-1014", "reverse, speed -100 %"),
        ("-048.0", "01:00:00:12 01:00:00:04", "1005-1013", "reverse, speed -200 %"),
    ],
)
def test_speeds_cover_what_is_played(m2, source, expected, says, tmp_path):
    write_plate(tmp_path, "A001")
    found = conformed(tmp_path, cut(source=source), f"M2 A001 {m2} {source[:11]}")
    assert frames(found) == {"A001": expected}
    assert says in said(found, "warn")[0]
    assert said(found, "fail") == []


def test_a_reversed_source_may_begin_the_plate(tmp_path):
    write_plate(tmp_path, "A001")
    found = conformed(tmp_path, cut(source="01:00:00:00 01:00:00:04"), "M2 A001 -024.0 01:00:00:00")
    assert frames(found) == {"A001": "1001-1004"}
    assert said(found, "fail") == []


def test_an_unlisted_change_of_speed(tmp_path):
    write_plate(tmp_path, "A001")
    found = conformed(tmp_path, cut(record="10:00:00:00 10:00:00:03"))
    assert frames(found) == {"A001": "1005-1008"}
    assert "source of 4 frames, record of 3" in said(found, "warn")[0]


def test_a_source_that_ends_before_it_begins(tmp_path):
    write_plate(tmp_path, "A001")
    found = conformed(tmp_path, cut(source="01:00:00:08 01:00:00:04"))
    assert "its source ends before it begins" in said(found, "fail")[0]


def test_the_outgoing_source_lasts_as_long_as_the_dissolve(tmp_path):
    write_plate(tmp_path, "A001")
    write_plate(tmp_path, "B001")
    found = conformed(
        tmp_path,
        cut(source="01:00:00:04 01:00:00:04", record="10:00:00:00 10:00:00:00"),
        "001  B001 V D 006 01:00:00:02 01:00:00:12 10:00:00:00 10:00:00:10",
    )
    assert frames(found) == {"A001": "1005-1010", "B001": "1003-1012"}


# ---------------------------------------------------------------- OpenTimelineIO


def sequence(folder, name, available, *, start, first=1001):
    def span(begin, length):
        return otio.opentime.TimeRange(
            otio.opentime.RationalTime(begin, 24), otio.opentime.RationalTime(length, 24)
        )

    media = otio.schema.ImageSequenceReference(
        target_url_base=f"{folder.as_posix()}/",
        name_prefix=f"{name}.",
        name_suffix=".exr",
        start_frame=first,
        frame_zero_padding=4,
        rate=24,
        available_range=span(available, 24),
    )
    return otio.schema.Clip(name="v1", source_range=span(start, 4), media_reference=media)


@pytest.mark.parametrize("available", [86_400, 1001, 0])
def test_media_counted_by_timecode_by_numbers_or_from_zero(available, tmp_path):
    write_plate(tmp_path, "quay", "01:00:00:00")
    clip = sequence(tmp_path, "quay", available, start=available + 4)
    timeline = otio.schema.Timeline(tracks=[otio.schema.Track(children=[clip])])
    timeline.to_json_file(str(tmp_path / "cut.otio"))
    found = gather(read_timeline(tmp_path / "cut.otio"), find_plates(tmp_path))
    assert frames(found) == {"quay": "1005-1008"}
    assert bool(said(found, "warn")) == (available != 86_400)

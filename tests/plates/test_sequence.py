"""Plates on disk: patterns, which files belong together, and what is refused."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.errors import MissingPlateError, RequestError, UnevenPlateError
from gradeprep.model.framerange import FrameRange
from gradeprep.plates import atomic
from gradeprep.plates.sequence import IMAGES, Pattern, Sequence, find, missing


def touch(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).write_bytes(b"")
    return folder


def told(found: Sequence) -> tuple[str, str]:
    return found.pattern.name, str(found.frames)


# ---- patterns


@pytest.mark.parametrize(
    ("text", "canonical", "first"),
    [
        ("/a/b/quay.####.exr", "/a/b/quay.####.exr", "/a/b/quay.0007.exr"),
        ("/a/b/quay.%04d.exr", "/a/b/quay.####.exr", "/a/b/quay.0007.exr"),
        ("/a/b/quay.@@@@.exr", "/a/b/quay.####.exr", "/a/b/quay.0007.exr"),
        ("quay_@.dpx", "quay_#.dpx", "quay_7.dpx"),
        ("quay%d.dpx", "quay#.dpx", "quay7.dpx"),
        ("quay.%012d.dpx", "quay.############.dpx", "quay.000000000007.dpx"),
        ("####", "####", "0007"),
        ("/shots #2/quay.##.exr", "/shots #2/quay.##.exr", "/shots #2/quay.07.exr"),
        ("/a/quay.exr", "/a/quay.exr", "/a/quay.exr"),
        ("/a/quay.%4d.exr", "/a/quay.%4d.exr", "/a/quay.%4d.exr"),
    ],
)
def test_pattern(text, canonical, first):
    pattern = Pattern.parse(text)
    assert str(pattern) == str(Path(canonical))
    assert pattern.path(7) == Path(first)
    assert pattern.text(7) == str(Path(first))
    assert Pattern.parse(str(pattern)) == pattern
    assert Pattern.parse(Path(text)) == pattern


@pytest.mark.parametrize(
    ("frame", "name"),
    [
        (0, "q.0000.exr"),
        (-5, "q.-0005.exr"),
        (999, "q.0999.exr"),
        (1000, "q.1000.exr"),
        (123456, "q.123456.exr"),
    ],
)
def test_pattern_pads_frames(frame, name):
    assert Pattern.parse("q.####.exr").path(frame).name == name


def test_pattern_tells_its_token():
    assert Pattern.parse("q.%03d.exr").token == "###"
    assert Pattern.parse("q.exr").token == ""


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "a/q.####.@@.exr",
            "a/q.####.@@.exr: 2 frame tokens (####, @@) in a name; leave one, as in quay.####.exr",
        ),
        (
            "q#%04d@.exr",
            "q#%04d@.exr: 3 frame tokens (#, %04d, @) in a name; leave one, as in quay.####.exr",
        ),
        ("", "not the name of a file; write it as quay.####.exr"),
        ("/", "/: not the name of a file; write it as quay.####.exr"),
        ("q\0.exr", "q\0.exr: not the name of a file; write it as quay.####.exr"),
    ],
)
def test_refused_patterns(text, line):
    with pytest.raises(RequestError) as caught:
        Pattern.parse(text)
    assert str(caught.value) == line


plain = st.text(st.sampled_from("ab._- [](+*é"), min_size=1, max_size=8)


@given(plain, st.integers(1, 6), st.integers(-(10**8), 10**8))
def test_a_frame_is_found_under_the_name_its_pattern_gives(tmp_path_factory, head, width, frame):
    folder = tmp_path_factory.mktemp("plate")
    pattern = Pattern(folder, f"x{head}", width, ".exr")
    pattern.path(frame).touch()
    assert find(str(pattern)) == Sequence(pattern, FrameRange.of([frame]))


# ---- a pattern's files


@pytest.mark.parametrize("text", ["q.####.exr", "q.@@@@.exr", "q.%04d.exr"])
def test_999_and_1000_are_one_plate(tmp_path, text):
    touch(tmp_path, "q.0999.exr", "q.1000.exr", "q.10000.exr", "q.-0001.exr")
    found = find(tmp_path / text)
    assert told(found) == ("q.####.exr", "-1,999-1000,10000")
    assert found.path(999) == tmp_path / "q.0999.exr"


def test_99_and_100_are_one_plate_of_width_two(tmp_path):
    touch(tmp_path, "q.98.exr", "q.99.exr", "q.100.exr")
    assert told(find(tmp_path / "q.##.exr")) == ("q.##.exr", "98-100")
    assert told(find(tmp_path)) == ("q.##.exr", "98-100")


def test_a_pattern_takes_only_its_own_files(tmp_path):
    touch(
        tmp_path,
        "q.1001.exr",
        "q.1002.EXR",  # other case, another file
        "q.1003.dpx",
        "q.1004.exr.tmp",
        "q.05.exr",  # too few digits
        "q.00006.exr",  # too many
        "q.-0000.exr",  # nobody writes minus zero
        "qq.1007.exr",
        "qx1008.exr",  # a dot is a dot
        ".q.1009.exr",
        ".q.1010.4242.tmp.exr",
        "q.1011.exr~",
        "q.x.exr",
        "q.1015_exr",
        "q..exr",
        "q.٣٣٣٣.exr",
        "q.1234567890123456.exr",  # longer than any frame number
    )
    (tmp_path / "q.1012.exr").mkdir()
    (tmp_path / "q.1013.exr").symlink_to("nowhere.exr")
    (tmp_path / "q.1014.exr").symlink_to("q.1001.exr")
    assert told(find(tmp_path / "q.####.exr")) == ("q.####.exr", "1001,1014")


@pytest.mark.parametrize("text", ["q.####.exr.tmp", ".q.####.exr"])
def test_no_pattern_reaches_hidden_and_temporary_files(tmp_path, text):
    touch(tmp_path, "q.1001.exr.tmp", ".q.1001.exr")
    with pytest.raises(MissingPlateError, match="no file matches this pattern"):
        find(tmp_path / text)


def test_unfinished_results_are_no_frames(tmp_path):
    seen = []

    def write(temp):
        temp.write_bytes(b"half")
        seen.append(temp.name)
        with pytest.raises(MissingPlateError):
            find(tmp_path)

    atomic.publish(tmp_path / "q.1001.exr", write, lambda temp: None)
    assert atomic.is_temp(seen[0])
    assert told(find(tmp_path)) == ("q.####.exr", "1001")


@pytest.mark.parametrize("text", ["q.####.exr", "q.##.exr", ""])
def test_two_names_of_one_frame_are_refused(tmp_path, text):
    touch(tmp_path, "q.0009.exr", "q.0010.exr", "q.10.exr")
    with pytest.raises(RequestError) as caught:
        find(tmp_path / text)
    line = str(caught.value)
    assert line.startswith(f"{tmp_path}: q.")
    assert "q.0010.exr" in line
    assert "q.10.exr" in line
    assert line.endswith("are both frame 10; remove or rename one")


def test_frames_padded_in_two_ways_are_two_plates(tmp_path):
    touch(tmp_path, "q.99.exr", "q.0100.exr")
    with pytest.raises(RequestError) as caught:
        find(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: the folder holds 2 plates: q.##.exr (99), q.####.exr (100); name one of them"
    )
    assert told(find(tmp_path / "q.####.exr")) == ("q.####.exr", "100")


def test_nothing_matches_but_something_is_there(tmp_path):
    touch(tmp_path, "q.1001.exr", "q.1002.exr", "slate.dpx")
    with pytest.raises(MissingPlateError) as caught:
        find(tmp_path / "quay.####.exr")
    assert str(caught.value) == (
        f"{tmp_path}/quay.####.exr: no file matches this pattern; "
        "its folder holds q.####.exr (1001-1002), slate.dpx"
    )


def test_nothing_matches_and_nothing_is_there(tmp_path):
    with pytest.raises(MissingPlateError, match="matches this pattern; its folder holds no frames"):
        find(tmp_path / "q.####.exr")


@pytest.mark.parametrize("name", ["none/q.####.exr", "file/q.####.exr"])
def test_missing_folder(tmp_path, name):
    touch(tmp_path, "file")
    with pytest.raises(MissingPlateError) as caught:
        find(tmp_path / name)
    assert str(caught.value) == (
        f"{tmp_path}/{name}: its folder does not exist; correct the path, or mount the disk"
    )


@pytest.mark.parametrize("name", ["q.exr", "none", "none/q.exr"])
def test_missing_file(tmp_path, name):
    with pytest.raises(MissingPlateError) as caught:
        find(tmp_path / name)
    assert str(caught.value) == (
        f"{tmp_path}/{name}: no such file or folder; "
        "name a file, a folder, or a pattern such as quay.####.exr"
    )


def test_the_present_folder_must_be_named():
    with pytest.raises(RequestError, match="not the name of a file"):
        find("")


@pytest.mark.parametrize("place", ["scandir", "stat"])
def test_folder_that_cannot_be_read(tmp_path, monkeypatch, place):
    def refuse(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, place, refuse)
    with pytest.raises(RequestError) as caught:
        find(tmp_path / "q.####.exr")
    monkeypatch.undo()
    assert str(caught.value) == (
        f"{tmp_path}/q.####.exr: it cannot be read (Permission denied); check its permissions"
    )


# ---- one file


@pytest.mark.parametrize(
    ("name", "pattern", "frame"),
    [
        ("q.1001.exr", "q.####.exr", 1001),
        ("q_1001.exr", "q_####.exr", 1001),
        ("q-1001.exr", "q-####.exr", 1001),
        ("q1001.exr", "q####.exr", 1001),
        ("1001.exr", "####.exr", 1001),
        ("q.7.exr", "q.#.exr", 7),
        ("q.0000.exr", "q.####.exr", 0),
        ("q.-0005.exr", "q.####.exr", -5),
        ("q_-0005.exr", "q_####.exr", -5),
        ("-0005.exr", "####.exr", -5),
        ("q_v02.1001.exr", "q_v02.####.exr", 1001),
        ("q.1001.EXR", "q.####.EXR", 1001),
        ("q.1001.png", "q.####.png", 1001),
        ("q.exr", "q.exr", 1),
        ("q_v02.exr", "q_v02.exr", 1),
        ("V3.exr", "V3.exr", 1),
        ("nav2.exr", "nav#.exr", 2),
        ("q_2048x1080.exr", "q_2048x1080.exr", 1),
        ("q.1001.left.exr", "q.1001.left.exr", 1),
        ("q.1234567890123456.exr", "q.1234567890123456.exr", 1),
        ("q", "q", 1),
        ("1001", "####", 1001),
    ],
)
def test_one_file_is_one_frame(tmp_path, name, pattern, frame):
    touch(tmp_path, name, "q.1000.exr", "q.1002.exr")
    found = find(tmp_path / name)
    assert told(found) == (pattern, str(frame))
    assert found.path(frame) == tmp_path / name


def test_a_file_wins_over_a_pattern_of_its_name(tmp_path):
    touch(tmp_path, "q@2.exr", "q12.exr")
    assert find(tmp_path / "q@2.exr").path(2) == tmp_path / "q@2.exr"


# ---- a folder


@pytest.mark.parametrize("extension", [*IMAGES, "EXR"])
def test_folder_with_one_plate(tmp_path, extension):
    touch(
        tmp_path,
        f"q.0999.{extension}",
        f"q.1000.{extension}",
        "q.stops.json",
        "q.1001.mov",
        "notes.txt",
        "1001",
        ".hidden.1001.exr",
        f"r.1001.{extension}.tmp",
    )
    (tmp_path / "q.1001.exr").mkdir()
    (tmp_path / "proxies").mkdir()
    assert told(find(tmp_path)) == (f"q.####.{extension}", "999-1000")
    assert find(str(tmp_path)) == find(tmp_path)


def test_folder_with_unpadded_frames(tmp_path):
    touch(tmp_path, *(f"q.{frame}.exr" for frame in range(8, 12)))
    found = find(tmp_path)
    assert told(found) == ("q.#.exr", "8-11")
    assert found.path(9) == tmp_path / "q.9.exr"


def test_folder_with_negative_frames(tmp_path):
    touch(tmp_path, "q.-0002.exr", "q.-0001.exr")
    assert told(find(tmp_path)) == ("q.####.exr", "-2--1")


@pytest.mark.parametrize(
    ("name", "pattern", "frames"),
    [("q.exr", "q.exr", "1"), ("q.1001.exr", "q.####.exr", "1001")],
)
def test_folder_with_one_file(tmp_path, name, pattern, frames):
    assert told(find(touch(tmp_path, name, "notes.txt"))) == (pattern, frames)


@pytest.mark.parametrize(
    ("names", "listed"),
    [
        (("q.1001.exr", "r.1001.exr"), "2 plates: q.####.exr (1001), r.####.exr (1001)"),
        (("q.1001.exr", "q.1001.EXR"), "2 plates: q.####.EXR (1001), q.####.exr (1001)"),
        (("q.1001.exr", "q.1002.dpx"), "2 plates: q.####.dpx (1002), q.####.exr (1001)"),
        (("q.1001.exr", "slate.exr"), "2 plates: q.####.exr (1001), slate.exr"),
        (("q_v01.exr", "q_v02.exr"), "2 plates: q_v01.exr, q_v02.exr"),
        (tuple("abcdef"), "6 plates: a.exr, b.exr, c.exr, d.exr and 2 more"),
    ],
)
def test_folder_with_more_than_one_plate(tmp_path, names, listed):
    touch(tmp_path, *(name if "." in name else f"{name}.exr" for name in names))
    with pytest.raises(RequestError) as caught:
        find(tmp_path)
    assert str(caught.value) == f"{tmp_path}: the folder holds {listed}; name one of them"


@pytest.mark.parametrize("names", [(), ("notes.txt", "q.stops.json")])
def test_folder_without_frames(tmp_path, names):
    with pytest.raises(MissingPlateError) as caught:
        find(touch(tmp_path, *names))
    assert str(caught.value) == (
        f"{tmp_path}: the folder holds no frames; "
        "name one that holds exr, dpx, cin, tif, tiff, hdr, pfm files"
    )


# ---- gaps


def test_missing_frames(tmp_path):
    touch(tmp_path, "q.1001.exr", "q.1002.exr", "q.1005.exr", "q.1007.exr")
    assert str(missing(find(tmp_path))) == "1003-1004,1006"
    assert not missing(find(tmp_path / "q.1001.exr"))


def test_a_stray_frame_far_away_is_an_error_not_a_list(tmp_path):
    touch(tmp_path, "q.1001.exr", "q.99999999.exr")
    told = f"{tmp_path}/q.####.exr: 99998997 frames are missing between 1001 and 99999999; "
    with pytest.raises(UnevenPlateError, match=re.escape(told)):
        missing(find(tmp_path))

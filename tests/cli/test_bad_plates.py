"""What a plate that is not as it should be gets: one clear line, an exit code, and no file."""

from __future__ import annotations

import shutil

import numpy as np
import OpenEXR
import pytest
from refusal import (
    ACESCCT,
    ACESCG,
    RECIPE,
    codes,
    dpx_plate,
    exr_plate,
    light,
    refused,
    speaks_plainly,
    write_recipe,
)
from support import plates_folder, run, snapshot, write_dpx, write_exr

from gradeprep import sidecar
from gradeprep.plates import exr

PLATES = {"exr": (exr_plate, ACESCG), "dpx": (dpx_plate, ACESCCT)}


@pytest.fixture(params=PLATES)
def plate(request, tmp_path):
    """A folder of three good frames, their extension, and the options that pull them."""
    make, options = PLATES[request.param]
    return make(tmp_path / "hot"), request.param, options


# Nothing there, or not all of it.


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("none.####.exr", "no file matches this pattern"),
        ("none.exr", "no such file or folder"),
        ("away/none.####.exr", "its folder does not exist"),
        ("empty", "the folder holds no frames"),
    ],
    ids=["pattern", "file", "folder", "empty folder"],
)
def test_missing_plate_is_a_wrong_request(name, says, tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    arguments = ("pull", tmp_path / name, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, name, says, code=2)


def test_a_pattern_nearly_right_lists_what_the_folder_holds(tmp_path, capsys):
    exr_plate(tmp_path / "hot")
    arguments = ("pull", tmp_path / "hot" / "quai.####.exr", tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "holds quay.####.exr (1001-1003)", code=2)


def test_folder_of_two_plates_asks_which(tmp_path, capsys):
    write_exr(exr_plate(tmp_path / "hot") / "loft.0001.exr", light())
    arguments = ("pull", tmp_path / "hot", tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "2 plates", "quay.####.exr", "name one", code=2)


def test_gap_is_told_with_the_range_that_is_there(plate, tmp_path, capsys):
    hot, kind, options = plate
    (hot / f"quay.1002.{kind}").unlink()
    arguments = ("pull", hot, tmp_path / "out", *options)
    refused(capsys, tmp_path, arguments, f"quay.####.{kind}", "1002", "1001,1003", code=1)


def test_frames_asked_for_and_missing(plate, tmp_path, capsys):
    hot, _, options = plate
    arguments = ("pull", hot, tmp_path / "out", *options, "--frames", "1002-1005")
    refused(capsys, tmp_path, arguments, "1004-1005 are missing", "has 1001-1003", code=1)


def test_frames_asked_for_none_of_which_is_there(plate, tmp_path, capsys):
    hot, _, options = plate
    arguments = ("pull", hot, tmp_path / "out", *options, "--frames", "1-3")
    refused(capsys, tmp_path, arguments, "none of the frames 1-3", "has 1001-1003", code=2)


@pytest.mark.parametrize("kind", ["folder", "link to nothing"])
def test_what_is_no_file_is_no_frame(kind, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot")
    (hot / "quay.1002.exr").unlink()
    if kind == "folder":
        (hot / "quay.1002.exr").mkdir()
    else:
        (hot / "quay.1002.exr").symlink_to("gone.exr")
    refused(capsys, tmp_path, ("pull", hot, tmp_path / "out", *ACESCG), "1002", code=1)


# One frame unlike the others.


@pytest.mark.parametrize(
    ("odd", "says"),
    [
        (light(height=13), "16 x 13"),
        (light(dtype=np.float32), "is float"),
        (light("RGBA"), "A, B, G, R"),
    ],
    ids=["size", "type", "channels"],
)
def test_exr_frame_unlike_the_others(odd, says, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot")
    write_exr(hot / "quay.1002.exr", odd)
    arguments = ("pull", hot, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "frame 1002", "quay.1002.exr", says, "own", code=1)


@pytest.mark.parametrize(
    ("odd", "bits", "says"),
    [
        (codes(height=13), 10, "16 x 13"),
        (codes(bits=8), 8, "uint8"),
        (codes("RGBA"), 10, "R, G, B, A"),
    ],
    ids=["size", "type", "channels"],
)
def test_dpx_frame_unlike_the_others(odd, bits, says, tmp_path, capsys):
    hot = dpx_plate(tmp_path / "hot")
    write_dpx(hot / "quay.1002.dpx", odd, bits=bits)
    arguments = ("pull", hot, tmp_path / "out", *ACESCCT)
    refused(capsys, tmp_path, arguments, "frame 1002", "quay.1002.dpx", says, "own", code=1)


# Torn, empty, garbled, under a wrong name.


@pytest.mark.parametrize("left", ["nothing", "1 %", "50 %", "98 %", "all but a byte"])
def test_truncated_frame_is_named_before_anything_is_written(left, plate, tmp_path, capsys):
    hot, kind, options = plate
    frame = hot / f"quay.1002.{kind}"
    whole = frame.read_bytes()
    size = len(whole)
    ends = {"nothing": 0, "1 %": size // 100, "50 %": size // 2, "98 %": size * 98 // 100}
    frame.write_bytes(whole[: ends.get(left, size - 1)])
    arguments = ("pull", hot, tmp_path / "out", *options)
    ran = refused(capsys, tmp_path, arguments, f"quay.1002.{kind}", "copy", code=1)
    assert any(word in ran.err for word in ("empty", "cut", "garbled"))


@pytest.mark.parametrize("kind", ["exr", "dpx", "tif", "hdr"])
def test_file_of_no_bytes(kind, tmp_path, capsys):
    file = tmp_path / f"quay.{kind}"
    file.touch()
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, file.name, "is empty", "copy", code=1)


def test_exr_named_dpx(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light()).rename(tmp_path / "quay.dpx")
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "quay.dpx", "content is EXR", "rename", code=1)


def test_dpx_named_exr(tmp_path, capsys):
    file = write_dpx(tmp_path / "quay.dpx", codes()).rename(tmp_path / "quay.exr")
    arguments = ("pull", file, tmp_path / "out", *ACESCCT)
    refused(capsys, tmp_path, arguments, "quay.exr", "content is DPX", "rename", code=1)


def test_exr_named_tif(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light()).rename(tmp_path / "quay.tif")
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "quay.tif", "content is EXR", "rename it", code=1)


def test_picture_for_displays_is_no_plate(tmp_path, capsys):
    file = tmp_path / "quay.jpg"
    file.write_bytes(b"\xff\xd8\xff\xe0" + bytes(64))  # a JPEG's first marker
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "quay.jpg", "'.jpg'", "give exr, dpx", code=1)


def garbled(path):
    """The file with its pixels garbled and its structure whole: only a decoder sees that."""
    content = bytearray(path.read_bytes())
    for at in range(len(content) - 200, len(content) - 100):
        content[at] ^= 0xA5
    path.write_bytes(content)


@pytest.mark.parametrize("jobs", [1, 2])
def test_garbled_pixels_fail_their_frame_and_the_others_are_done(jobs, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 4, compression=OpenEXR.ZIP_COMPRESSION)
    garbled(hot / "quay.1002.exr")
    before = snapshot(hot)
    arguments = ("--stops", "-1", "--space", "ACEScg", "--jobs", jobs, "--quiet")
    ran = run(capsys, "pull", hot, tmp_path / "out", *arguments)
    assert ran.code == 1
    speaks_plainly(ran)
    assert "quay frame 1002" in ran.err
    assert "quay.1002.exr" in ran.err
    assert "copy the frame again" in ran.err
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        *(f"quay.{number}.exr" for number in (1001, 1003, 1004)),
        "quay.stops.json",
    }
    record = sidecar.load(tmp_path / "out" / "quay.stops.json")
    assert [frame.number for frame in record.frames] == [1001, 1003, 1004]
    (told,) = (finding for finding in record.findings if finding.severity == "fail")
    assert told.frame == 1002
    assert snapshot(hot) == before


def test_plate_of_garbled_frames_only_leaves_no_folder(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    garbled(hot / "quay.1001.exr")
    arguments = ("pull", hot, tmp_path / "deep" / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "frame 1001", "quay.1001.exr", code=1)


def test_every_odd_file_is_refused_or_pulled_whole(tmp_path, capsys):
    odd = [path for path in sorted((plates_folder() / "odd").iterdir()) if path.is_file()]
    assert odd
    out = tmp_path / "out"
    for file in odd:
        ran = run(capsys, "pull", file, out, *ACESCG)
        if ran.code:
            assert ran.code == 1, (file, ran)
            speaks_plainly(ran)
            assert file.name in ran.err
            assert ran.out == ""
            assert not out.exists(), (file, ran)
        else:
            assert run(capsys, "audit", next(out.glob("*.stops.json")), "--quiet").code == 0, file
            shutil.rmtree(out)


# Whole, but nothing to pull in it.


def test_unsigned_integers_hold_no_light(tmp_path, capsys):
    file = write_exr(tmp_path / "id.exr", light(dtype=np.uint32))
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "id.exr", "unsigned integers", "convert", code=1)


def test_no_colour_channel(tmp_path, capsys):
    file = write_exr(tmp_path / "depth.exr", light("Z"))
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "depth.exr", "no colour channels", "layers", code=1)


def test_no_colour_channel_under_a_pull_of_nothing_is_carried(tmp_path, capsys):
    file = write_exr(tmp_path / "depth.exr", light("Z"))
    arguments = ("--stops", "0", "--space", "ACEScg", "--jobs", "1")
    ran = run(capsys, "pull", file, tmp_path / "out", *arguments)
    assert ran.code == 0, ran
    carried = exr.read(tmp_path / "out" / "depth.exr").parts[0].channels["Z"]
    assert np.array_equal(carried, light("Z")["Z"])


@pytest.mark.parametrize(
    "ask",
    [
        "stages: [{pull: {stops: {meter: grey_card, region: [0, 0, 8, 8]}}}]",
        "stages: [{pull: {stops: 0}}]\n  checks: {pixels: {}}",
    ],
    ids=["meter", "check"],
)
def test_no_colour_channel_to_look_at(ask, tmp_path, capsys):
    write_exr(tmp_path / "plate" / "depth.exr", light("Z"))
    recipe = write_recipe(tmp_path, stages=f"  {ask}")
    arguments = ("run", recipe, "--jobs", "1")
    refused(capsys, tmp_path, arguments, "quay", "depth.exr", "no colour channels", code=1)


def test_colour_of_two_types(tmp_path, capsys):
    mixed = light("RG") | light("B", dtype=np.float32)
    file = write_exr(tmp_path / "quay.exr", mixed)
    arguments = ("pull", file, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "quay.exr", "different types", "float, half", code=1)


def test_layer_that_the_plate_does_not_have(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light())
    arguments = ("pull", file, tmp_path / "out", *ACESCG, "--layer", "key")
    refused(capsys, tmp_path, arguments, "quay.exr", "'key'", "name a layer", code=1)


# Pulled before.


def pulled_twice(capsys, folder, plate, options, kind):
    """The plate pulled into `once` and that, with --allow-pulled, into `twice`; two sidecars."""
    assert run(capsys, "pull", plate, folder / "once", *options).code == 0
    again = ("pull", folder / "once" / f"quay.####.{kind}", folder / "twice", *options)
    refused(capsys, folder, again, "frame 1001", "by -1 stops", "--allow-pulled", code=2)
    assert run(capsys, *again, "--allow-pulled").code == 0
    return [sidecar.load(folder / name / "quay.stops.json") for name in ("once", "twice")]


def test_exr_pulled_before_says_so_itself(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot")
    once, twice = pulled_twice(capsys, tmp_path, hot, ACESCG, "exr")
    assert {frame.history for frame in twice.frames} == {(once.digest,)}
    assert [(frame.before, frame.stops) for frame in twice.frames] == [(-1.0, -1.0)] * 3
    marked = exr.inspect(tmp_path / "twice" / "quay.1002.exr")
    assert marked.pulled == -2.0
    assert marked.history == (once.digest, twice.digest)


def test_exr_pulled_before_needs_no_sidecar_to_say_so(tmp_path, capsys):
    run(capsys, "pull", exr_plate(tmp_path / "hot"), tmp_path / "once", *ACESCG)
    moved = tmp_path / "moved.exr"
    shutil.copy(tmp_path / "once" / "quay.1001.exr", moved)
    arguments = ("pull", moved, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "moved.exr", "pulled by -1 stops", code=2)


def test_dpx_pulled_before_is_known_by_the_sidecar_beside_it(tmp_path, capsys):
    hot = dpx_plate(tmp_path / "hot")
    once, twice = pulled_twice(capsys, tmp_path, hot, ACESCCT, "dpx")
    assert {frame.history for frame in twice.frames} == {(once.digest,)}
    assert [(frame.before, frame.stops) for frame in twice.frames] == [(-1.0, -1.0)] * 3
    thrice = ("pull", tmp_path / "twice" / "quay.####.dpx", tmp_path / "thrice", *ACESCCT)
    refused(capsys, tmp_path, thrice, "by -2 stops", code=2)


# One bad shot among good ones.


@pytest.mark.parametrize("fault", ["torn", "gap", "uneven", "not to be carried"])
def test_bad_plate_fails_its_own_shot_and_the_others_are_done(fault, tmp_path, capsys):
    for name in ("first", "quay", "last"):
        exr_plate(tmp_path / name)
    bad = tmp_path / "quay" / "quay.1002.exr"
    if fault == "torn":
        bad.write_bytes(bad.read_bytes()[:-1])
    elif fault == "gap":
        bad.unlink()
    elif fault == "uneven":
        write_exr(bad, light(height=13))
    else:
        exr_plate(tmp_path / "quay")
        for frame in (tmp_path / "quay").iterdir():
            write_exr(frame, light("Z"))
    shots = "".join(f"  {name}: {{plate: {name}}}\n" for name in ("first", "quay", "last"))
    recipe = write_recipe(tmp_path, RECIPE.replace("  quay: {plate: plate}\n", shots))
    ran = run(capsys, "run", recipe, "--jobs", "1", "--quiet")
    assert ran.code == 1, ran
    speaks_plainly(ran)
    assert ran.err.count("gradeprep: quay") == len(ran.err.splitlines()) == 1
    for name in ("first", "last"):
        assert len(sidecar.load(tmp_path / "out" / name / f"{name}.stops.json").frames) == 3
    assert not (tmp_path / "out" / "quay").exists()


def test_missing_plate_among_good_ones_stops_all(tmp_path, capsys):
    exr_plate(tmp_path / "first")
    shots = "  first: {plate: first}\n  quay: {plate: quay.####.exr}\n"
    recipe = write_recipe(tmp_path, RECIPE.replace("  quay: {plate: plate}\n", shots))
    arguments = ("run", recipe, "--jobs", "1")
    refused(capsys, tmp_path, arguments, "quay", "quay.####.exr", "no file matches", code=2)

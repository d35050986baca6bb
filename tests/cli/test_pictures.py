"""``check --picture`` and ``measure --picture``: what stands on the sheets, and what is refused."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest
from support import run, snapshot, write_exr

from gradeprep import colour
from gradeprep.colour import BUILT_IN
from gradeprep.review.clipmap import CHANNEL_INKS
from gradeprep.review.screen import screen

SPACE = ("--space", "ACEScg")
PLAIN = ("--display", "sRGB - Display", "--view", "Un-tone-mapped")
LEFT, TOP, ACROSS = 40, 116, 784
"""Where the first picture of a sheet stands, and how far it is to the next."""


def scene(folder: Path, *, frames: int = 2, ceiling: float = 6.0, width: int = 80) -> str:
    """A hot plate: a wide ramp with noise, a grey card 2 stops over, a red that clips."""
    tones = np.linspace(-5.0, 4.0, width)
    for index in range(frames):
        rng = np.random.default_rng(index)
        row = 0.18 * np.exp2(tones)[None, :, None]
        light = row * rng.normal(1.0, 0.02, (width // 2, width, 3))
        light[4:12, 4:16] = 0.72 * rng.normal(1.0, 0.004, (8, 12, 1))
        light[20:30, 60:76, 0] = ceiling
        planes = {c: light[..., i].astype(np.float16) for i, c in enumerate("RGB")}
        write_exr(folder / f"hot.{1001 + index}.exr", planes)
    return str(folder / "hot.####.exr")


def sheet(path: Path) -> np.ndarray:
    return oiio.ImageInput.open(str(path)).read_image(oiio.UINT8)


def panel(pixels: np.ndarray, column: int, shape: tuple[int, int], top: int = TOP) -> np.ndarray:
    left = LEFT + column * ACROSS
    return pixels[top : top + shape[0], left : left + shape[1]]


def enlarged(picture: np.ndarray) -> np.ndarray:
    height, width, _ = picture.shape
    rows = np.arange(height * 760 // width) * width // 760
    return picture[rows][:, np.arange(760) * width // 760]


def light_of(path: Path) -> np.ndarray:
    source = oiio.ImageInput.open(str(path))
    return np.ascontiguousarray(source.read_image(oiio.FLOAT))


CHECK = ("--check", "clipping", "--set", "clipping.code=6.0")


def test_a_check_draws_the_frame_before_and_after(tmp_path, capsys):
    plate, out = scene(tmp_path), tmp_path / "sheet.png"
    told = run(*(capsys, "check", plate, *SPACE, *PLAIN, "--stops", -2, *CHECK, "--picture", out))
    assert told.code == 0, told
    pixels = sheet(out)
    shown = screen(colour.load(BUILT_IN), "ACEScg", display=PLAIN[1], view=PLAIN[3])
    light = light_of(tmp_path / "hot.1001.exr")
    before, after = (enlarged(shown.picture(x)) for x in (light, light * np.float32(0.25)))
    np.testing.assert_array_equal(panel(pixels, 0, (380, 760)), before)
    np.testing.assert_array_equal(panel(pixels, 1, (380, 760)), after)


def test_the_clip_map_on_the_sheet_shows_what_clipped(tmp_path, capsys):
    plate, out = scene(tmp_path), tmp_path / "sheet.png"
    told = run(capsys, "check", plate, *SPACE, *PLAIN, *CHECK, "--picture", out)
    assert told.code == 0, told
    clipped = panel(sheet(out), 1, (380, 760))  # nothing is decided: it stands beside the frame
    found = (clipped == CHANNEL_INKS["R"]).all(axis=2)
    ys, xs = np.nonzero(found)
    times = 760 / 80
    assert ys.min() == pytest.approx(20 * times, abs=6)
    assert ys.max() == pytest.approx(30 * times, abs=6)
    assert xs.min() == pytest.approx(60 * times, abs=6)
    assert xs.max() == pytest.approx(76 * times, abs=6)
    assert not (clipped == CHANNEL_INKS["G"]).all(axis=2).any()


def test_the_frame_is_the_first_of_those_named(tmp_path, capsys):
    plate = scene(tmp_path)
    for name, frames in (("a.png", "1001-1002"), ("b.png", "1002")):
        asked = ("--frames", frames, "--picture", tmp_path / name)
        assert run(capsys, "check", plate, *SPACE, *PLAIN, *CHECK, *asked).code == 0
    shown = screen(colour.load(BUILT_IN), "ACEScg", display=PLAIN[1], view=PLAIN[3])
    for name, frame in (("a.png", 1001), ("b.png", 1002)):
        expected = enlarged(shown.picture(light_of(tmp_path / f"hot.{frame}.exr")))
        np.testing.assert_array_equal(panel(sheet(tmp_path / name), 0, (380, 760)), expected)


def test_a_large_plate_is_reduced_and_json_stays_json(tmp_path, capsys):
    plate, out = scene(tmp_path, frames=1, width=1600), tmp_path / "sheet.png"
    told = run(capsys, "check", plate, *SPACE, *PLAIN, *CHECK, "--picture", out, "--json")
    assert told.code == 0, told
    assert json.loads(told.out)["gradeprep_check"] == 1
    shown = screen(colour.load(BUILT_IN), "ACEScg", display=PLAIN[1], view=PLAIN[3])
    expected = shown.picture(light_of(tmp_path / "hot.1001.exr"), side=760)
    np.testing.assert_array_equal(panel(sheet(out), 0, (380, 760)), expected)


def test_what_is_no_number_shows_as_squares(tmp_path, capsys):
    light = np.full((40, 80), 0.18, np.float16)
    red = light.copy()
    red[10:20, 30:50] = np.nan
    write_exr(tmp_path / "odd.1001.exr", {"R": red, "G": light, "B": light})
    out = tmp_path / "sheet.png"
    plate = tmp_path / "odd.1001.exr"
    asked = ("--check", "pixels", "--picture", out)
    assert run(capsys, "check", plate, *SPACE, *PLAIN, *asked).code == 0
    found = panel(sheet(out), 0, (380, 760))[..., 1]
    assert set(np.unique(found[100:185, 290:470]).tolist()) == {80, 176}
    assert np.unique(found[:90]).tolist() == [118]


def test_equal_plates_give_equal_pictures(tmp_path, capsys):
    plate = scene(tmp_path)
    for name in ("a.png", "b.png"):
        asked = ("--stops", -2, "--picture", tmp_path / name)
        assert run(capsys, "check", plate, *SPACE, *CHECK, *asked).code == 0
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


REGION = ("--meter", "grey_card", "--region", 5, 5, 10, 6)


def test_a_measurement_outlines_the_place_that_was_read(tmp_path, capsys):
    plate, out = scene(tmp_path), tmp_path / "read.png"
    told = run(capsys, "measure", plate, *SPACE, *PLAIN, *REGION, "--picture", out)
    assert told.code == 0, told
    assert "pull by  -1.999 stops" in told.out
    found = panel(sheet(out), 0, (380, 760))
    line = (found == (240, 228, 66)).all(axis=2)
    ys, xs = np.nonzero(line)
    times = 760 / 80
    box = (xs.min(), ys.min(), xs.max(), ys.max())
    assert box == pytest.approx([5 * times, 5 * times, 15 * times, 11 * times], abs=2)
    shown = screen(colour.load(BUILT_IN), "ACEScg", display=PLAIN[1], view=PLAIN[3])
    expected = enlarged(shown.picture(light_of(tmp_path / "hot.1001.exr")))
    changed = (found != expected).any(axis=2)
    ys, xs = np.nonzero(changed)
    assert xs.min() >= 5 * times - 5
    assert ys.max() <= 11 * times + 5
    inside = changed[int(5 * times) + 6 : int(11 * times) - 6, int(5 * times) + 6 : 140 - 6]
    assert not inside.any()


def test_an_overscan_is_outlined_where_the_meter_looked(tmp_path, capsys):
    light = np.full((60, 100, 3), 0.05, np.float32)
    light[20:32, 30:46] = 0.72
    planes = {c: light[..., i].astype(np.float16) for i, c in enumerate("RGB")}
    windows = {"dataWindow": ((-10, -10), (89, 49)), "displayWindow": ((0, 0), (79, 39))}
    write_exr(tmp_path / "wide.1001.exr", planes, **windows)
    region = ("--meter", "grey_card", "--region", 22, 12, 12, 8)  # 32, 22 in the data window
    out = tmp_path / "read.png"
    plate = tmp_path / "wide.1001.exr"
    told = run(capsys, "measure", plate, *SPACE, *PLAIN, *region, "--picture", out)
    assert told.code == 0, told
    line = (panel(sheet(out), 0, (456, 760)) == (240, 228, 66)).all(axis=2)
    ys, xs = np.nonzero(line)
    box = np.array([xs.min(), ys.min(), xs.max(), ys.max()]) / 7.6
    np.testing.assert_allclose(box, [32, 22, 44, 30], atol=0.4)


def test_a_plate_read_frame_by_frame_shows_its_curve(tmp_path, capsys):
    plate, short, long = scene(tmp_path, frames=3), tmp_path / "1.png", tmp_path / "3.png"
    for out, each in ((short, ()), (long, ("--per-frame",))):
        told = run(capsys, "measure", plate, *SPACE, *REGION, *each, "--picture", out)
        assert told.code == 0, told
    assert sheet(long).shape[0] > sheet(short).shape[0] + 300


def test_a_meter_without_a_place_shows_the_frame(tmp_path, capsys):
    plate, out = scene(tmp_path), tmp_path / "read.png"
    told = run(capsys, "measure", plate, *SPACE, "--meter", "average", "--picture", out)
    assert told.code == 0, told
    assert not (sheet(out) == (240, 228, 66)).all(axis=2).any()


@pytest.fixture
def plate(tmp_path):
    return scene(tmp_path, frames=1)


@pytest.mark.parametrize("command", [("check", *CHECK), ("measure", *REGION)])
def test_no_picture_takes_the_place_of_anything(tmp_path, plate, command, capsys):
    (tmp_path / "there.png").write_bytes(b"mine")
    (tmp_path / "link.png").symlink_to(tmp_path / "hot.1001.exr")
    before = snapshot(tmp_path)
    name, *rest = command
    for out, said in (
        ("there.png", "exists; choose another name or --overwrite"),
        ("link.png", "is a source"),
        ("new.jpg", "a picture is a PNG; name it .png"),
        ("no/new.png", "its folder does not exist"),
    ):
        told = run(capsys, name, plate, *rest, *SPACE, "--picture", tmp_path / out)
        assert told.code == 2
        assert told.err.count("\n") == 1
        assert f"{out}: {said}" in told.err
        assert told.out == ""
    asked = ("--picture", tmp_path / "link.png", "--overwrite")
    assert "is a source" in run(capsys, name, plate, *rest, *SPACE, *asked).err
    assert snapshot(tmp_path) == before
    asked = ("--picture", tmp_path / "there.png", "--overwrite")
    assert run(capsys, name, plate, *rest, *SPACE, *asked).code == 0
    assert sheet(tmp_path / "there.png").shape[1] == 1624


def test_a_picture_shows_one_plate(tmp_path, capsys):
    recipe = tmp_path / "scene.yaml"
    recipe.write_text("gradeprep: 1\n", encoding="utf-8")
    out = tmp_path / "a.png"
    assert "one plate" in run(capsys, "check", recipe, "--picture", out).err
    assert "one plate" in run(capsys, "measure", "--scene", recipe, "--picture", out).err


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("--view", "Un-tone-mapped"), "--view is about a picture; ask for one with --picture"),
        (("--overwrite",), "--overwrite is about a picture"),
        (("--picture", "OUT", "--display", "nowhere"), "no display named 'nowhere'"),
        (("--picture", "OUT", "--look-space", "ACEScct"), "--look-space: names no look"),
        (("--picture", "OUT", "--look", "Silver"), "has no look 'Silver'"),
        (("--picture", "OUT", "--look", "gone.cube"), "does not state the space"),
        (("--picture", "OUT", "--look", "gone.clf"), "no such look"),
    ],
)
def test_what_cannot_be_shown_is_one_line(tmp_path, plate, asked, said, capsys):
    asked = [tmp_path / "a.png" if word == "OUT" else word for word in asked]
    told = run(capsys, "check", plate, *SPACE, *CHECK, *asked)
    assert told.code == 2
    assert said in told.err
    assert not (tmp_path / "a.png").exists()


def test_without_the_extra_it_is_one_line_and_the_check_goes_on_without(
    tmp_path, plate, capsys, monkeypatch
):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    out = tmp_path / "a.png"
    told = run(capsys, "check", plate, *SPACE, *CHECK, "--picture", out)
    assert told.code == 2
    assert "need matplotlib; pip install 'gradeprep[review]'" in told.err
    assert run(capsys, "check", plate, *SPACE, *CHECK).code == 0


def test_a_look_changes_the_picture_and_nothing_else(tmp_path, capsys):
    plate = scene(tmp_path)
    name = next(iter(colour.load(BUILT_IN).config.getLookNames()))
    out, looked = tmp_path / "a.png", tmp_path / "b.png"
    first = run(capsys, "check", plate, *SPACE, *CHECK, "--picture", out)
    second = run(capsys, "check", plate, *SPACE, *CHECK, "--picture", looked, "--look", name)
    assert first.out == second.out
    assert sheet(out).shape[1] == sheet(looked).shape[1]

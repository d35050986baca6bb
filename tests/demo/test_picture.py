"""The contact sheet: what stands on it, and that it stands there whole."""

from __future__ import annotations

import dataclasses

import numpy as np
import OpenImageIO
import pytest

from gradeprep.demo.picture import SheetRow, contact_sheet, display
from gradeprep.errors import WriteError

WIDTH, MARGIN, GAP, TOP = 480, 44, 20, 64


def flat(value, size=(96, 54)):
    return np.full((size[1], size[0], 3), value, np.float32)


@pytest.fixture
def row():
    return SheetRow(
        name="slipway_010",
        as_shot=flat(1.44),
        normalized=flat(0.18),
        normal=flat(0.09),
        shadow=(40, 30, 24, 6),
        notes=("3 stops hot", "pulled -3"),
    )


def read(path):
    source = OpenImageIO.ImageInput.open(str(path))
    return source.read_image(OpenImageIO.UINT8)


def srgb(linear):
    """IEC 61966-2-1, above its linear part."""
    return 1.055 * linear ** (1 / 2.4) - 0.055


def test_grey_and_white_stand_where_the_tone_curve_says():
    assert display(flat(0.18))[0, 0] == pytest.approx([255 * srgb(0.20)] * 3, abs=1)
    assert display(flat(7.0))[0, 0].tolist() == [255, 255, 255]
    assert display(flat(500.0))[0, 0].tolist() == [255, 255, 255]
    assert display(flat(0.0))[0, 0].tolist() == [0, 0, 0]


def test_more_light_is_never_darker_on_screen():
    tones = 0.18 * 2.0 ** np.linspace(-9, 6, 400)
    shown = display(np.repeat(tones[None, :, None], 3, axis=2).astype(np.float32))[0]
    assert np.all(np.diff(shown.astype(int), axis=0) >= 0)
    assert np.all(np.ptp(shown.astype(int), axis=1) <= 1)  # neutrals stay neutral


def test_noise_below_black_and_broken_pixels_are_shown_as_black():
    odd = np.array([[[-0.1] * 3, [np.nan] * 3, [-np.inf] * 3, [np.inf] * 3]], np.float32)
    assert display(odd)[0, :, 0].tolist() == [0, 0, 0, 255]


def test_red_is_shown_red_through_the_primaries_of_the_screen():
    red = display(np.array([[[0.5, 0.02, 0.02]]], np.float32))[0, 0].astype(int)
    assert red[0] > 150
    assert red[1:].max() < 60


def test_the_source_is_left_as_it_was():
    picture = flat(0.3)
    display(picture)
    assert np.all(picture == np.float32(0.3))


def test_each_picture_stands_in_its_column_and_the_shadow_below(tmp_path, row):
    contact_sheet([row, row], tmp_path / "sheet.png", brighten=1.0)
    sheet = read(tmp_path / "sheet.png")
    assert sheet.shape == (TOP + 2 * (270 + 10 + 120 + 64), 2 * MARGIN + 3 * WIDTH + 2 * GAP, 3)
    for column, picture in enumerate((row.as_shot, row.normalized, row.normal)):
        left = MARGIN + column * (WIDTH + GAP)
        for top in (TOP, TOP + 464):
            cell = sheet[top : top + 140, left : left + WIDTH]
            assert np.all(cell == display(picture)[0, 0])
            if column:
                below = sheet[top + 280 : top + 400, left : left + WIDTH]
                assert np.all(below == display(picture * 2.0)[0, 0])
    assert np.all(sheet[: TOP - 45] == 26)
    assert np.all(sheet[:, :MARGIN] == 26)


def test_the_enlarged_shadow_keeps_every_pixel_and_is_outlined(tmp_path, row):
    noisy = np.random.default_rng(1).uniform(0.0, 0.4, row.normal.shape).astype(np.float32)
    contact_sheet([dataclasses.replace(row, normal=noisy)], tmp_path / "a.png", brighten=0.0)
    sheet = read(tmp_path / "a.png")
    left, below = MARGIN + 2 * (WIDTH + GAP), TOP + 280
    piece = sheet[below : below + 120, left : left + WIDTH]
    expected = display(noisy[30:36, 40:64])
    assert np.array_equal(piece, np.repeat(np.repeat(expected, 20, axis=0), 20, axis=1))
    assert np.all(sheet[TOP + 149, left + 200 : left + 320] == (232, 226, 214))


def test_words_are_written(tmp_path, row):
    contact_sheet([row], tmp_path / "words.png")
    contact_sheet([dataclasses.replace(row, notes=())], tmp_path / "fewer.png")
    sheet, fewer = read(tmp_path / "words.png"), read(tmp_path / "fewer.png")
    for column in range(3):
        left = MARGIN + column * (WIDTH + GAP)
        assert sheet[20:TOP, left : left + WIDTH].max() > 200
    name = sheet[TOP + 280 : TOP + 310, MARGIN : MARGIN + WIDTH]
    assert name.max() > 200
    changed = np.argwhere((sheet != fewer).any(axis=2))
    assert changed[:, 0].min() > TOP + 310
    assert changed[:, 1].max() < MARGIN + WIDTH


def test_equal_rows_give_equal_sheets(tmp_path, row):
    contact_sheet([row], tmp_path / "a.png")
    contact_sheet([row], tmp_path / "b.png")
    assert np.array_equal(read(tmp_path / "a.png"), read(tmp_path / "b.png"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.png", "b.png"]


@pytest.mark.parametrize("name", ["no/such/folder/sheet.png", "sheet.nothing"])
def test_a_sheet_that_cannot_be_written_says_so_and_leaves_nothing(tmp_path, row, name):
    with pytest.raises(WriteError, match="sheet"):
        contact_sheet([row], tmp_path / name)
    assert list(tmp_path.iterdir()) == []

"""Light on a screen: reduced by area, through the view, with a pattern for what is no number."""

from __future__ import annotations

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep import colour, showlook
from gradeprep.colour import BUILT_IN
from gradeprep.errors import ColourError
from gradeprep.model.recipe import LookAsk
from gradeprep.review.screen import any_within, reduced, screen, shown_size, strewn

STUDIO = colour.load(BUILT_IN)
PLAIN = {"display": "sRGB - Display", "view": "Un-tone-mapped"}

sides = st.integers(1, 9)


def picture(seed: int, height: int = 20, width: int = 30) -> np.ndarray:
    """Tones from 9 stops under grey to 7 over it, each channel for itself."""
    stops = np.random.default_rng(seed).uniform(-9.0, 7.0, (height, width, 3))
    return (0.18 * np.exp2(stops)).astype(np.float32)


@given(height=sides, width=sides, rows=sides, columns=sides, seed=st.integers(0, 99))
def test_reduction_is_the_mean_over_the_area(height, width, rows, columns, seed):
    rows, columns = min(rows, height), min(columns, width)
    light = picture(seed, height, width)
    # independent: as many copies as parts, then plain means
    fine = light.astype(np.float64).repeat(rows, axis=0).repeat(columns, axis=1)
    expected = fine.reshape(rows, height, columns, width, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(reduced(light, (rows, columns)), expected, rtol=2e-6)


@given(height=sides, width=sides, rows=sides, columns=sides, seed=st.integers(0, 99))
def test_a_mask_keeps_every_pixel_that_is_touched(height, width, rows, columns, seed):
    rows, columns = min(rows, height), min(columns, width)
    mask = np.random.default_rng(seed).random((height, width, 3)) < 0.1
    fine = mask.repeat(rows, axis=0).repeat(columns, axis=1)
    expected = fine.reshape(rows, height, columns, width, 3).any(axis=(1, 3))
    np.testing.assert_array_equal(any_within(mask, (rows, columns)), expected)


@pytest.mark.parametrize(
    ("size", "side", "expected"),
    [
        ((2160, 3840), 960, (540, 960)),
        ((100, 50), 10, (10, 5)),
        ((3, 4000), 100, (1, 100)),
        ((90, 160), 960, (90, 160)),
        ((90, 160), None, (90, 160)),
    ],
)
def test_pictures_shrink_and_never_grow(size, side, expected):
    assert shown_size(size, side) == expected


@pytest.mark.parametrize(
    ("aspect", "side", "expected"),
    [(2.0, None, (30, 90)), (2.0, 45, (15, 45)), (0.5, None, (60, 45)), (0.5, 30, (30, 22))],
)
def test_a_squeezed_frame_is_as_wide_as_the_lens_saw_it(aspect, side, expected):
    light = picture(4, 60, 90)
    assert shown_size((60, 90), side, aspect) == expected
    shown = screen(STUDIO, "ACEScg", **PLAIN)
    square = shown.picture(reduced(light, expected))
    assert np.array_equal(shown.picture(light, side=side, aspect=aspect), square)


def test_no_side_is_no_picture():
    with pytest.raises(ValueError, match="is none"):
        shown_size((10, 10), 0)


@pytest.mark.parametrize("view", [*list(STUDIO.config.getViews("sRGB - Display"))[:3], None])
def test_the_view_is_the_one_of_the_config(view):
    light = picture(1)
    name = view or STUDIO.config.getDefaultView("sRGB - Display")
    transform = ocio.DisplayViewTransform("ACEScg", "sRGB - Display", name)
    cpu = STUDIO.config.getProcessor(transform).getDefaultCPUProcessor()
    expected = light.copy().reshape(-1, 3)
    for row in expected:
        row[:] = cpu.applyRGB(row.tolist())
    codes = np.clip(expected, 0.0, 1.0).reshape(light.shape) * 255.0
    found = screen(STUDIO, "ACEScg", display="sRGB - Display", view=view).picture(light)
    assert found.dtype == np.uint8
    assert np.abs(found - codes).max() <= 0.5 + 0.05  # rounding, and the library's own shortcuts


def test_grey_stands_where_the_standard_puts_it():
    grey = np.full((4, 4, 3), 0.18, np.float32)
    # IEC 61966-2-1: 1.055 * 0.18 ** (1 / 2.4) - 0.055 = 0.4614
    found = screen(STUDIO, "ACEScg", **PLAIN).picture(grey)
    assert np.unique(found).tolist() == [118]
    black = screen(STUDIO, "ACEScg", **PLAIN).picture(-grey)
    assert np.unique(black).tolist() == [0]


def test_light_is_reduced_before_it_becomes_a_signal():
    stripes = np.zeros((2, 8, 3), np.float32)
    stripes[:, ::2] = 0.36
    found = screen(STUDIO, "ACEScg", **PLAIN).picture(stripes, side=4)
    assert np.unique(found).tolist() == [118]  # the mean of 0 and 0.36 is grey


def test_the_default_display_and_view_are_the_config_s():
    shown = screen(STUDIO, "ACEScg")
    display = STUDIO.config.getDefaultDisplay()
    assert shown.title == f"{display}, {STUDIO.config.getDefaultView(display)}"


def test_a_look_comes_between_light_and_view(tmp_path):
    half = ocio.MatrixTransform(matrix=np.diag([0.5, 0.5, 0.5, 1.0]).ravel().tolist())
    group = ocio.GroupTransform([half])
    path = tmp_path / "half.clf"
    path.write_text(group.write("Academy/ASC Common LUT Format", STUDIO.config), encoding="utf-8")
    order = showlook.find(STUDIO, "ACEScg", LookAsk(file=str(path)), tmp_path)
    looked = screen(STUDIO, "ACEScg", **PLAIN, look=order)
    light = picture(2)
    plain = screen(STUDIO, "ACEScg", **PLAIN)
    np.testing.assert_array_equal(looked.picture(light), plain.picture(light * np.float32(0.5)))
    assert looked.title == "look half.clf, then sRGB - Display, Un-tone-mapped"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"display": "sRGB - Displai"}, "did you mean 'sRGB - Display'"),
        ({"display": "sRGB - Display", "view": "Untoned"}, "no view of 'sRGB - Display'"),
        ({"display": "sRGB - Display", "view": "Raw"}, "shows the numbers"),
    ],
)
def test_an_unknown_view_is_one_line(asked, said):
    with pytest.raises(ColourError, match=said):
        screen(STUDIO, "ACEScg", **asked)


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_shows_as_squares_and_touches_nothing_else(odd):
    light = picture(3)
    hole = np.zeros(light.shape[:2], bool)
    hole[4:9, 6:17] = True
    broken = light.copy()
    broken[hole, 1] = odd
    plain = screen(STUDIO, "ACEScg", **PLAIN)
    found = plain.picture(broken)
    assert set(np.unique(found[hole]).tolist()) == {80, 176}
    assert (found[hole] == found[hole][:, :1]).all()
    np.testing.assert_array_equal(found[~hole], plain.picture(light)[~hole])
    assert np.array_equal(plain.picture(light, broken=hole), found)


def test_one_broken_pixel_stays_to_be_seen_in_a_small_picture():
    light = np.full((64, 64, 3), 0.18, np.float32)
    light[33, 17] = np.nan
    found = screen(STUDIO, "ACEScg", **PLAIN).picture(light, side=8)
    odd = (found != 118).any(axis=2)
    assert np.argwhere(odd).tolist() == [[4, 2]]


def test_more_light_than_half_floats_hold_is_white():
    light = np.full((2, 2, 3), 3e38, np.float32)
    assert screen(STUDIO, "ACEScg").picture(light).min() >= 250


def test_squares_have_two_greys_and_a_size():
    found = strewn(np.zeros((8, 8, 3), np.uint8), np.ones((8, 8), bool))
    expected = np.kron([[80, 176], [176, 80]], np.ones((4, 4), int))
    np.testing.assert_array_equal(found[..., 0], expected)

"""The brushes: masks that cover what geometry says, noise that repeats and drifts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gradeprep.demo.brushes import Canvas, boards, noise, ramp, smooth

SIZE = (320, 180)


@pytest.fixture
def canvas():
    return Canvas(SIZE)


def area(canvas, mask):
    """Area of a mask in canvas units, where the picture is 1 high."""
    cover = np.broadcast_to(mask, canvas.picture.shape[:2])
    return float(cover.sum()) / canvas.height**2


def test_masks_cover_the_area_of_their_shape(canvas):
    corners = ((0.2, 0.1), (1.1, 0.3), (0.4, 0.9))
    (ax, ay), (bx, by), (cx, cy) = corners
    triangle = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / 2
    disc = math.pi * (0.2**2 - 0.1**2) * 0.5
    stroke = 0.5 * 0.04 + math.pi * 0.02**2
    assert area(canvas, canvas.polygon(*corners)) == pytest.approx(triangle, rel=0.01)
    assert area(canvas, canvas.box(0.31, 0.22, 0.503, 0.301)) == pytest.approx(0.1514, rel=0.01)
    assert area(canvas, canvas.ring((0.8, 0.5), 0.2, 0.1, 0.5)) == pytest.approx(disc, rel=0.02)
    assert area(canvas, canvas.line((0.3, 0.3), (0.7, 0.6), 0.04)) == pytest.approx(
        stroke, rel=0.02
    )
    assert area(canvas, canvas.below(0.25)) == pytest.approx(0.75 * canvas.aspect, rel=0.01)


def test_a_rope_hangs_through_its_lowest_point(canvas):
    mask = canvas.rope((0.4, 0.3), (1.2, 0.3), sag=0.2, width=0.03)
    column = np.argmin(np.abs(canvas.x[0] - 0.8))
    rows = canvas.y[:, 0][mask[:, column] > 0.5]
    assert rows.mean() == pytest.approx(0.5, abs=0.005)
    assert np.ptp(rows) == pytest.approx(0.03, abs=0.01)
    assert not mask[:, canvas.x[0] < 0.39].any()


def test_paint_covers_shades_and_leaves_the_rest(canvas):
    canvas.paint(canvas.box(0.0, 0.0, 0.5, 0.5), (0.4, 0.2, 0.1), 0.5)
    assert canvas.picture[10, 10] == pytest.approx([0.2, 0.1, 0.05])
    assert not canvas.picture[120:].any()
    canvas.paint(np.full((180, 320), 0.5, np.float32), (1.0, 1.0, 1.0), canvas.y)
    assert canvas.picture[170, 300] == pytest.approx([0.5 * canvas.y[170, 0]] * 3)
    canvas.paint(canvas.box(5.0, 5.0, 1.0, 1.0), (9.0, 9.0, 9.0))
    assert canvas.picture.max() < 1.0


def test_shine_adds_and_dim_multiplies(canvas):
    canvas.shine(canvas.glow((0.8, 0.5), 0.1), (2.0, 1.0, 0.0))
    assert canvas.picture[90, 144] == pytest.approx([2.0, 1.0, 0.0], rel=0.01)
    canvas.dim(np.full((1, 1), 0.25, np.float32))
    assert canvas.picture[90, 144] == pytest.approx([0.5, 0.25, 0.0], rel=0.01)


def test_noise_repeats_fills_its_range_and_is_smooth(canvas):
    first = noise(canvas, (12.0, 9.0), seed=3)
    assert first.shape == (180, 320)
    assert first.dtype == np.float32
    assert np.array_equal(first, noise(canvas, (12.0, 9.0), seed=3))
    assert not np.array_equal(first, noise(canvas, (12.0, 9.0), seed=4))
    assert 0.0 <= first.min() < 0.1
    assert 0.9 < first.max() <= 1.0
    assert np.abs(np.diff(first, axis=1)).max() < 1.6 * 12.0 / 320


def test_noise_drifts_to_the_right_and_down(canvas):
    """Twenty cells over 320 columns: one cell is 16 pixels; ten over 180 rows: 18 pixels."""
    still = noise(canvas, (20.0, 10.0), seed=5, octaves=2)
    moved = noise(canvas, (20.0, 10.0), seed=5, octaves=2, drift=(1.0, 1.0))
    assert np.allclose(moved[18:, 16:], still[:-18, :-16], atol=1e-4)


def test_boards_differ_from_each_other_and_have_grooves_between():
    across = np.linspace(0.0, 8.0, 1600, endpoint=False, dtype=np.float32)[None, :]
    shade = boards(across, seed=1, groove=0.05, fineness=0.005)
    middles = shade[0, 100::200]
    assert len(set(middles.tolist())) == 8
    assert np.all(shade[0, 200::200] < 0.6 * middles[1:])


def test_boards_finer_than_the_picture_fade_to_an_even_tone():
    across = np.linspace(0.0, 3_000.0, 500, dtype=np.float32)[None, :]
    assert boards(across, seed=1, groove=0.05, fineness=6.0).std() < 0.01


def test_ramp_and_smooth_interpolate():
    place = np.array([[0.0, 0.25, 1.0, 2.0]], np.float32)
    colours = ramp(place, [(0.0, (0.0, 0.0, 1.0)), (1.0, (1.0, 2.0, 0.0))])
    assert colours[0].tolist() == [[0, 0, 1], [0.25, 0.5, 0.75], [1, 2, 0], [1, 2, 0]]
    assert smooth(0.0, 1.0, place)[0].tolist() == [0.0, 0.15625, 1.0, 1.0]
    assert smooth(1.0, 0.0, place)[0].tolist() == [1.0, 0.84375, 0.0, 0.0]

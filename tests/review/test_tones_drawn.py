"""Tones of a picture against plain counting, and the drawing against the numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import AP1_WEIGHTS

from gradeprep.review import tones
from gradeprep.review.svgplot import DARK, dressed, figure
from gradeprep.review.tones import plot_tones, tones_of, tones_svg


def neutral(values) -> np.ndarray:
    return np.repeat(np.asarray(values, np.float32)[None, :, None], 3, axis=2)


def test_every_pixel_is_counted_where_numpy_counts_it():
    stops = np.random.default_rng(5).uniform(-15.0, 13.0, (200, 300))
    light = (0.18 * np.exp2(stops)).astype(np.float32)[..., None] * np.float32([0.5, 1.2, 1.0])
    found = tones_of(light, AP1_WEIGHTS)
    luminance = light.astype(np.float64) @ AP1_WEIGHTS
    edges = np.linspace(tones.LOW, tones.HIGH, len(found.shares) + 1)
    counts, _ = np.histogram(np.log2(luminance / 0.18), edges)
    np.testing.assert_allclose(found.shares, counts / luminance.size, atol=2 / luminance.size)
    assert sum(found.shares) + found.below + found.above == pytest.approx(1.0)
    assert found.below == pytest.approx((np.log2(luminance / 0.18) < tones.LOW).mean(), abs=1e-4)
    assert found.above == pytest.approx((np.log2(luminance / 0.18) >= tones.HIGH).mean(), abs=1e-4)


def test_grey_opens_its_bin_and_darkness_is_below_all():
    found = tones_of(neutral([0.18, 0.36, 0.0, -1.0]), (0.25, 0.5, 0.25))
    held = {edge: share for edge, share in zip(found.edges, found.shares, strict=False) if share}
    assert held == {0.0: 0.25, 1.0: 0.25}
    assert (found.below, found.above) == (0.5, 0.0)


def test_a_pull_moves_the_tones_by_its_stops():
    light = (0.18 * np.exp2(np.random.default_rng(1).normal(1.0, 1.5, (64, 64, 1)))) * np.ones(3)
    before = tones_of(light.astype(np.float32), AP1_WEIGHTS)
    after = tones_of((light / 8).astype(np.float32), AP1_WEIGHTS)
    shift = round(3.0 / tones.STEP)
    np.testing.assert_allclose(after.shares[:-shift], before.shares[shift:], atol=3e-4)


def drawn(draw):
    with figure(5, 3) as made:
        axes = made.add_subplot()
        dressed(axes, DARK)
        draw(axes, DARK)
        made.canvas.draw()
    return axes


def test_what_is_drawn_is_what_was_counted():
    before = tones_of(neutral([0.36, 0.36, 0.18, 0.09]), AP1_WEIGHTS)
    axes = drawn(plot_tones(before, ceilings=[2.0, 2.05, 4.5], ceilings_after=[-1.0, -math.inf]))
    outline = axes.patches[1].get_data()
    np.testing.assert_allclose(outline.values, np.asarray(before.shares) * 100.0)
    np.testing.assert_allclose(outline.edges, before.edges)
    lines = sorted(float(line.get_xdata()[0]) for line in axes.lines)
    assert lines == [-1.0, 0.0, 2.0, 4.5]  # 2.05 is told with its neighbour
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert words == ["as recorded", "ceiling +2.0, +4.5", "ceiling after -1.0"]
    low, high = axes.get_xlim()
    assert low <= -1.0
    assert high >= 4.5


def test_darkness_is_told_in_the_legend():
    found = tones_of(neutral([0.0, 0.18]), AP1_WEIGHTS)
    assert "as recorded (50.0% darker)" in tones_svg(found)


@pytest.mark.parametrize("value", [0.0, 1e9])
def test_a_picture_without_a_tone_on_the_scale_is_drawn_all_the_same(value):
    assert tones_svg(tones_of(neutral([value] * 4), AP1_WEIGHTS)).startswith("<svg")

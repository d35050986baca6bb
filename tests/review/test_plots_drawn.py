"""Noise, exposure, lift and tone map: what is drawn against what is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib import colormaps

from gradeprep.checks.tones import NoiseBin, NoiseCurve
from gradeprep.model.record import Reading
from gradeprep.plugins.contracts import Light
from gradeprep.review.exposureplot import plot_exposure
from gradeprep.review.liftplot import lift_svg, lifted_tones, plot_lift
from gradeprep.review.noiseplot import noise_caption, plot_noise
from gradeprep.review.svgplot import DARK, dressed, figure
from gradeprep.review.tonemap import colours, plot_scale, tone_map
from gradeprep.stages.lift import Lift, LiftParams


def drawn(draw):
    with figure(5, 3) as made:
        axes = made.add_subplot()
        dressed(axes, DARK)
        draw(axes, DARK)
        made.canvas.draw()
    return axes


def words(axes):
    return [text.get_text() for text in axes.get_legend().get_texts()]


def curve(*points: tuple[float, float]) -> NoiseCurve:
    """A curve of given tones and signal-to-noise ratios."""
    bins = []
    for tone, ratio in points:
        level = 0.18 * 2.0**tone
        bins.append(
            NoiseBin(
                level=level, sigma=level / ratio, uncertainty=0.5, samples=99, method="temporal"
            )
        )
    return NoiseCurve("luminance", tuple(bins))


def test_noise_is_drawn_in_decibels_with_the_two_criteria():
    axes = drawn(plot_noise(curve((-2.0, 5.0), (-1.0, 10.0), (0.0, 40.0))))
    flat = [line.get_ydata()[0] for line in axes.lines if np.ptp(line.get_ydata()) == 0.0]
    # ISO 12232: 10:1 and 40:1; EMVA 1288: 20 * log10
    assert sorted(flat) == pytest.approx([20.0, 32.0412], abs=1e-4)
    line = next(line for line in axes.lines if line.get_label() == "as recorded")
    np.testing.assert_allclose(line.get_xdata(), [-2.0, -1.0, 0.0])
    np.testing.assert_allclose(line.get_ydata(), [13.9794, 20.0, 32.0412], atol=1e-4)


def test_a_gap_in_the_tones_is_not_drawn_over():
    axes = drawn(plot_noise(curve((-4.0, 5.0), (-3.5, 6.0), (0.0, 20.0), (0.5, 25.0))))
    pieces = [line for line in axes.lines if line.get_marker() == "o"]
    assert [list(line.get_xdata()) for line in pieces] == [
        pytest.approx([-4.0, -3.5]),
        pytest.approx([0.0, 0.5]),
    ]
    assert words(axes) == ["as recorded"]


def test_a_plate_without_noise_says_so():
    axes = drawn(plot_noise(NoiseCurve("luminance", ())))
    assert "no noise could be measured" in [text.get_text() for text in axes.texts]


def test_the_caption_sells_no_lift():
    before, after = curve((-1.0, 10.0), (0.0, 40.0)), curve((-4.0, 10.0), (-3.0, 40.0))
    told = noise_caption(before, after, lifted=True)
    assert "10:1 at least down to -1.0 stops" in told
    assert "40:1 down to -3.0 stops" in told
    assert "no more information than was recorded" in told
    assert "changes no ratio" in told
    assert "information" not in noise_caption(before, after, lifted=False)
    assert "Normalized" not in noise_caption(before, None, lifted=False)


def test_exposure_shows_readings_with_two_sigmas_and_only_keys_in_sight():
    applied = {1001: -3.0, 1002: -2.9, 1003: -2.8}
    readings = {1002: Reading(meter="m", stops=-2.95, sigma=0.04)}
    keys = {1001: -3.0, 1400: 7.0}
    axes = drawn(plot_exposure(applied, readings=readings, keys=keys))
    line = next(line for line in axes.lines if line.get_label() == "applied")
    assert list(line.get_xdata()) == [1001, 1002, 1003]
    assert list(line.get_ydata()) == [-3.0, -2.9, -2.8]
    bar = axes.collections[0].get_segments()[0]
    np.testing.assert_allclose(bar, [[1002, -3.03], [1002, -2.87]])
    marks = next(line for line in axes.lines if line.get_label() == "key")
    assert list(marks.get_xdata()) == [1001]
    assert sorted(words(axes)) == ["applied", "key", "read, ± 2 sigma"]


def test_a_still_exposure_is_not_blown_up():
    axes = drawn(plot_exposure({1001: -3.0, 1002: -3.0001}))
    low, high = axes.get_ylim()
    assert high - low >= 0.2


@pytest.mark.parametrize("applied", [{}, {1001: -3.0}])
def test_one_frame_or_none_is_drawn(applied):
    drawn(plot_exposure(applied))


lifts = st.builds(
    lambda stops, below, softness: LiftParams(stops=stops, below=below, softness=softness),
    st.floats(-2.0, 2.0),
    st.floats(-6.0, 2.0),
    st.floats(4.5, 8.0),
)


@given(lift=lifts, tones=st.lists(st.floats(-14.0, 6.0), min_size=1, max_size=9))
def test_the_lift_s_curve_is_what_the_stage_does(lift, tones):
    level = (0.18 * np.exp2(np.asarray(tones))).astype(np.float32)
    numbers = Lift().decide(lift, 1001)
    gain = Lift().tone_gain(level, numbers, Light((0.3, 0.6, 0.1), 0.0))
    staged = np.log2(level.astype(np.float64) * gain / 0.18)
    found = lifted_tones(np.asarray(tones), **numbers)
    np.testing.assert_allclose(found, staged, atol=2e-5)


def test_the_lift_is_drawn_with_its_two_ends():
    axes = drawn(plot_lift(LiftParams(stops=1.0, below=-3.0, softness=3.0)))
    line = next(line for line in axes.lines if line.get_label() == "lift of +1 stops")
    tones, out = (np.asarray(values) for values in line.get_data())
    assert np.all(np.diff(out) > 0.0)
    np.testing.assert_allclose(out[tones >= -3.0], tones[tones >= -3.0])
    np.testing.assert_allclose(out[tones <= -6.0], tones[tones <= -6.0] + 1.0)
    notes = [text.get_text() for text in axes.texts]
    assert notes == ["begins at -3", "whole at -6"]
    assert "lift of +1 stops" in lift_svg(LiftParams(stops=1.0, below=-3.0, softness=3.0))


def test_the_tone_map_has_the_colours_that_were_published():
    # cividis as matplotlib publishes it: first and last entry
    assert colours()[0].tolist() == [0, 34, 78]
    assert colours()[-1].tolist() == [254, 232, 56]
    published = np.asarray(colormaps["cividis"].colors) * 255.0
    np.testing.assert_allclose(colours(), published, atol=0.5)
    grey = colours().astype(float) @ (0.2126, 0.7152, 0.0722)
    assert np.all(np.diff(grey) > -0.5)  # brighter stands for brighter


def test_a_tone_has_its_colour():
    light = np.float32([0.18 * 2.0**-9, 0.18 * 2.0**-8, 0.18, 0.18 * 64, 99.0, 0.0, -1.0])
    found = tone_map(np.repeat(light[None, :, None], 3, axis=2), (0.3, 0.6, 0.1))[0]
    middle = colours()[round(255 * 8 / 14)]  # grey stands 8 of 14 stops up the scale
    first, last = colours()[0], colours()[-1]
    np.testing.assert_array_equal(found, [first, first, middle, last, last, first, first])


def test_broken_pixels_have_no_tone():
    light = np.full((8, 8, 3), 0.18, np.float32)
    broken = np.zeros((8, 8), bool)
    broken[2, 3] = True
    found = tone_map(light, (0.3, 0.6, 0.1), broken=broken)
    assert found[2, 3].tolist() in ([80] * 3, [176] * 3)
    assert len(np.unique(found.reshape(-1, 3), axis=0)) == 2


def test_the_scale_is_labelled_in_stops():
    axes = drawn(plot_scale())
    labels = [text.get_text().replace("\N{MINUS SIGN}", "-") for text in axes.get_xticklabels()]
    assert labels[0] == "-8"
    assert "0" in labels
    assert labels[-1] == "6"
    assert axes.get_xlabel() == "tone, stops from grey"
    bars = axes.patches
    assert len(bars) == 56
    middle = next(bar for bar in bars if bar.get_x() == 0.0)
    np.testing.assert_allclose(
        np.asarray(middle.get_facecolor())[:3] * 255, colours()[round(255 * 8.125 / 14)], atol=0.6
    )

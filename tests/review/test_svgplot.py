"""The SVG of every plot: alone in a page, equal for equal data, readable on light and dark."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from functools import cache
from xml.etree import ElementTree

import numpy as np
import pytest

from gradeprep.checks.tones import NoiseBin, NoiseCurve
from gradeprep.errors import RequestError
from gradeprep.model.record import Reading
from gradeprep.review import svgplot
from gradeprep.review.exposureplot import exposure_svg
from gradeprep.review.liftplot import lift_svg
from gradeprep.review.noiseplot import noise_svg
from gradeprep.review.svgplot import DARK, FALLBACK, svg
from gradeprep.review.tonemap import plot_scale
from gradeprep.review.tones import tones_of, tones_svg
from gradeprep.stages.lift import LiftParams

NAMESPACE = "{http://www.w3.org/2000/svg}"


def curve(shift: float) -> NoiseCurve:
    levels = [0.18 * 2.0 ** (third / 3 + shift) for third in range(-40, 22)]
    return NoiseCurve(
        "luminance",
        tuple(
            NoiseBin(level=v, sigma=v / 20.0, uncertainty=0.4, samples=640, method="temporal")
            for v in levels
        ),
    )


def tones():
    stops = np.random.default_rng(3).normal(1.0, 3.5, (120, 160, 1))
    light = (0.18 * np.exp2(stops) * np.ones(3)).astype(np.float32)
    return tones_of(light, (0.3, 0.6, 0.1)), tones_of(light / 8, (0.3, 0.6, 0.1))


def every_frame(count: int) -> str:
    frames = range(1001, 1001 + count)
    applied = {frame: -3.0 + 0.5 * np.sin(frame / 40.0) for frame in frames}
    readings = {f: Reading(meter="m", stops=applied[f] + 0.01, sigma=0.02) for f in applied}
    return exposure_svg(applied, readings=readings, keys={1001: -3.0, 1040: -2.5})


PLOTS = {
    "tones": lambda: tones_svg(*tones(), ceilings=[6.06, 6.5, 6.9], ceilings_after=[3.06]),
    "noise": lambda: noise_svg(curve(0.0), curve(-3.0)),
    "exposure": lambda: every_frame(96),
    "lift": lambda: lift_svg(LiftParams(stops=1.0, below=-3.0, softness=3.0)),
    "scale": lambda: svg(plot_scale(), title="Scale", height=0.75),
}


@cache
def plot(name: str) -> str:
    return PLOTS[name]()


every_plot = pytest.mark.parametrize("name", PLOTS)


@every_plot
def test_equal_data_give_equal_bytes(name):
    assert PLOTS[name]() == plot(name)


def test_and_so_they_do_in_another_process():
    program = (
        "from gradeprep.review.svgplot import svg; from gradeprep.review.tonemap import plot_scale;"
        "print(svg(plot_scale(), title='Scale', height=0.75))"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "1", "SOURCE_DATE_EPOCH": "1"}
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == plot("scale")


def test_ids_of_the_library_leave_no_trace():
    """They count what the process drew before, too."""

    def named(name):
        def draw(axes, inks):
            axes.plot([0, 1], [0, 1], marker="o", color=inks.after)[0].set_gid(name)

        return svg(draw, title="a line")

    assert named("line_1") == named("line_2")


@every_plot
def test_a_plot_is_one_small_element(name):
    text = plot(name)
    assert len(text.encode()) < 40_000
    root = ElementTree.fromstring(text)
    assert root.tag == f"{NAMESPACE}svg"
    assert root.get("class") == "plot"
    assert root.get("role") == "img"
    assert root.get("aria-label")
    assert "viewBox" in root.attrib


@every_plot
def test_nothing_in_it_is_forbidden_by_a_strict_page(name):
    text = plot(name)
    assert not re.search(r"\sstyle=|<style|<script|<metadata|<image|<!--|<!DOCTYPE|data:", text)
    assert re.findall(r"https?://[^\"]*", text) == [
        "http://www.w3.org/1999/xlink",
        "http://www.w3.org/2000/svg",
    ]


@every_plot
def test_text_is_text_and_inks_are_the_page_s(name):
    root = ElementTree.fromstring(plot(name))
    words = [text for text in root.iter(f"{NAMESPACE}text") if text.text]
    assert len(words) > 4
    for text in words:
        assert text.get("fill") == f"var(--ink, {FALLBACK.ink})"
    text = plot(name)
    assert not re.search(r"#0[0-9a-f]0[0-9a-f]0[0-9a-f]\b", text)  # no stand-in is left


def test_two_plots_of_a_page_share_no_id():
    found = [set(re.findall(r' id="([^"]+)"', plot(name))) for name in PLOTS]
    assert all(found)
    assert sum(map(len, found)) == len(set().union(*found))
    for text in map(plot, PLOTS):
        ids = re.findall(r' id="([^"]+)"', text)
        assert len(ids) == len(set(ids))
        assert set(re.findall(r'(?:url\(#|href="#)([\w.-]+)', text)) <= set(ids)


def test_a_title_is_escaped():
    text = svg(lambda axes, inks: None, title='a "<b>" & c')
    assert ElementTree.fromstring(text).get("aria-label") == 'a "<b>" & c'


def luminance(ink: str) -> float:
    """Relative luminance of a colour (WCAG 2.2)."""
    values = [int(ink[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2)."""
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ground", ["#ffffff", "#000000"])
def test_without_a_page_s_inks_all_is_seen_on_white_and_on_black(ground):
    assert contrast(FALLBACK.ink, ground) >= 4.5  # text, WCAG 2.2 1.4.3
    for ink in (FALLBACK.quiet, FALLBACK.before, FALLBACK.after, FALLBACK.third):
        assert contrast(ink, ground) >= 3.0  # graphics, WCAG 2.2 1.4.11


def test_on_a_sheet_too():
    assert contrast(DARK.ink, "#1a1a1a") >= 7.0
    for ink in (DARK.quiet, DARK.before, DARK.after, DARK.third):
        assert contrast(ink, "#1a1a1a") >= 4.5


def test_the_lines_have_published_colours():
    sequences = pytest.importorskip("matplotlib").color_sequences
    if "okabe_ito" not in sequences:
        pytest.skip("this matplotlib does not have them")
    from matplotlib.colors import to_hex

    published = {to_hex(ink) for ink in sequences["okabe_ito"]}
    for inks in (DARK, FALLBACK):
        assert {inks.before, inks.after, inks.third} <= published


def test_without_matplotlib_it_is_one_line(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(RequestError, match=r"need matplotlib; pip install 'gradeprep\[review\]'"):
        svgplot.svg(lambda axes, inks: None, title="x")

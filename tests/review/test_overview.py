"""The overview: worst first, with the reasons, and spans drawn where they belong."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from reported import write_scene

from gradeprep.checks.tones import NoiseBin, NoiseCurve
from gradeprep.model.stops import GREY
from gradeprep.review.overview import OverviewLine, ToneSpan, ranked, worst_first
from gradeprep.review.platesummary import PlateSummary, see
from gradeprep.review.reportdata import ReportShot, gather
from gradeprep.review.spans import Ruler, ruler_of, span_svg


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    return gather([write_scene(tmp_path_factory.mktemp("scene"))])


def noisy(shift: float) -> NoiseCurve:
    """Signal to noise 20 at grey, halved each stop down (read noise alone), moved by a pull."""
    bins = [
        NoiseBin(level=GREY * 2.0 ** (t + shift), sigma=GREY / 20 * 2.0**shift, uncertainty=0.1,
                 samples=100, method="temporal")
        for t in range(-4, 5)
    ]  # fmt: skip
    return NoiseCurve("luminance", tuple(bins))


def test_the_clipped_shot_stands_first_and_says_why(shots):
    lines = [ranked(one, see(one)) for one in shots]
    assert worst_first(lines) == [1, 0]
    calm, burnt = lines
    assert burnt.clip.state == "clipped"
    assert "clipped" in burnt.why
    assert burnt.clip.words.endswith("of RGB")
    assert calm.clip.state == "clear"
    assert calm.why == ()
    assert calm.sigma == shots[0].document.readings[0].sigma


def test_refused_is_worse_than_clipped_and_equals_keep_their_order(shots):
    refused = ReportShot(name="x", state="refused", origin=Path("r.yaml"), refusal="why")
    lines = [ranked(one, PlateSummary()) for one in (*shots, refused, refused)]
    assert worst_first(lines) == [2, 3, 1, 0]
    assert lines[2].clip.state == "unknown"


def test_a_pull_of_three_stops_gains_three_stops_of_clean_shadow(shots):
    line = ranked(shots[0], PlateSummary(noise=(noisy(0.0), noisy(-3.0))))
    assert line.before.low == pytest.approx(-1.0)  # 20:1 at grey is 10:1 a stop below
    assert line.gained == pytest.approx(3.0)
    assert (line.before.high, line.after.high) == (None, None)


def line_of(before: ToneSpan, after: ToneSpan) -> OverviewLine:
    return OverviewLine(
        clip=None, sigma=None, weak=False, before=before, after=after, gained=None, clean=None,
        counts={}, why=(), order=(),
    )  # fmt: skip


def test_spans_stand_at_their_tones():
    line = line_of(ToneSpan(low=-2.0, high=6.0), ToneSpan(low=-5.0, high=3.0))
    ruler = ruler_of([line])
    assert (ruler.low, ruler.high) == (-6, 7)
    svg = span_svg(line, ruler, 'a "title"')
    bars = re.findall(r'<rect class="(\w+)" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', svg)
    scale = 220 / 13
    for (kind, x, width), start in zip(bars, (-2.0, -5.0), strict=True):
        assert float(x) == pytest.approx((start + 6) * scale, abs=0.01), kind
        assert float(width) == pytest.approx(8 * scale, abs=0.02), kind
    assert 'aria-label="a &quot;title&quot;"' in svg
    assert " style=" not in svg


def test_an_end_that_is_not_known_is_open():
    svg = span_svg(
        line_of(ToneSpan(low=-2.0, high=None), ToneSpan(low=None, high=None)), Ruler(-6, 6), "t"
    )
    assert svg.count("<rect") == 2  # the bar and its known end
    assert 'class="before open"' in svg

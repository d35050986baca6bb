"""Every way gives the light it says, and its mark never gives more than wanted."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.meters.labels import Label, read_label
from gradeprep.onset.present import Present
from gradeprep.onset.series import APERTURES, DENSITIES, INDICES, filters, marked_index
from gradeprep.onset.ways import ways
from gradeprep.photometry import (
    Setting,
    exposure_difference,
    seconds_from_angle,
    stops_from_density,
)

COLUMNS = {
    "aperture": "aperture",
    "t_stop": "tstop",
    "time": "time_s",
    "angle": "angle_deg",
    "rate": "rate_fps",
    "index": "index",
    "density": "density",
}


def present(**written):
    labels = {
        name: read_label(COLUMNS[name], text, marked=name in ("aperture", "t_stop"))
        for name, text in written.items()
    }
    return Present(**labels)


def way(stops, by, **written):
    (found,) = (each for each in ways(present(**written), stops) if each.by == by)
    return found


def light(by, value):
    """A setting of the camera with one value changed."""
    rest = {"aperture": 4.0, "seconds": Fraction(1, 48), "index": 800, "density": 1.2}
    key = {"t_stop": "aperture", "time": "seconds", "angle": "seconds"}.get(by, by)
    if by == "angle":
        value = seconds_from_angle(value, rate=24)
    return Setting(**{**rest, key: value})


NOW = {"density": "1.2", "t_stop": "T4", "angle": "180", "rate": "24", "index": "800"}
VALUES = {"density": 1.2, "t_stop": 4.0, "angle": 180, "index": 800, "time": 1 / 48}


@given(st.floats(-6.0, 6.0))
def test_exact_setting_gives_all_of_the_light(stops):
    """Against the exposure equation (ISO 2720), where the setting has so much to give."""
    for found in ways(present(**NOW), stops):
        if found.by == "index":
            assert math.log2(800 / found.exact) == pytest.approx(stops, abs=1e-12)
            continue
        given_ = exposure_difference(
            light(found.by, found.exact), reference=light(found.by, VALUES[found.by])
        )
        most = {"density": stops_from_density(1.2), "angle": 1.0}.get(found.by, math.inf)
        assert given_ == pytest.approx(min(stops, most), abs=1e-9)


@given(st.floats(-6.0, 6.0))
def test_mark_gives_what_it_says_and_never_more_than_wanted(stops):
    for found in ways(present(**NOW), stops):
        assert found.stops + found.left == pytest.approx(stops, abs=1e-12)
        if found.nominal_exact is None:
            continue
        assert found.stops <= stops + 1e-9
        if found.by == "index":
            assert found.stops == pytest.approx(math.log2(800 / found.nominal_exact), abs=1e-12)
            continue
        given_ = exposure_difference(
            light(found.by, found.nominal_exact), reference=light(found.by, VALUES[found.by])
        )
        assert found.stops == pytest.approx(given_, abs=1e-9)


# Densities: stops = D / log10(2); arithmetic. 1.2 less 0.9 is 0.3.
@pytest.mark.parametrize(
    ("now", "stops", "exact", "mark", "gives"),
    [
        ("1.2", 3.0, 0.29691, "0.3", 2.9897353),  # the label's three stops are 2.99
        ("1.2", 2.5, 0.447425, "0.6", 1.9931569),
        ("0.9", 4.0, 0.0, "none", 2.9897353),
        ("0.3 + 0.6", 1.0, 0.59897, "0.6", 0.99657843),
        ("0", -9.0, 2.70927, "2.4 + 0.6", -9.9657843),
        ("0", -1.0, 0.30103, "0.6", -1.9931569),  # 0.3 holds back a hair too little
        ("0.2", 0.3, 0.109691, "0.2", 0.0),
    ],
)
def test_density(now, stops, exact, mark, gives):
    found = way(stops, "density", density=now)
    assert found.exact == pytest.approx(exact, abs=5e-6)
    assert found.nominal == mark
    assert found.stops == pytest.approx(gives, abs=5e-7)


def test_all_filters_out_are_named_when_they_are_too_few():
    effect = way(4.0, "density", density="0.9").effect
    assert effect == "all filters out give no more than 2.99 stops"


def test_less_light_takes_a_filter_even_where_none_is_told():
    assert way(-2.0, "density", t_stop="4").nominal == "0.9"
    assert [each.by for each in ways(present(t_stop="4"), 2.0)] == ["t_stop"]


# Full stops of the marked series (encyclopaedias, "F-number"; ISO 517): 2 ** (AV / 2).
@pytest.mark.parametrize(
    ("now", "stops", "exact", "mark", "stands_for"),
    [
        ("T4", 2.0, 2.0, "T2", 2.0),
        ("T5.6", 1.0, 4.0, "T4", 4.0),
        ("T4", -1.0, 5.6568542, "T5.6", 5.6568542),
        ("T4", 1.5, 2.3784142, "T2.5", 2.5198421),
        ("T11", 3.0, 4.0, "T4", 4.0),
    ],
)
def test_t_stop(now, stops, exact, mark, stands_for):
    found = way(stops, "t_stop", t_stop=now)
    assert found.exact == pytest.approx(exact, abs=5e-8)
    assert found.nominal == mark
    assert found.nominal_exact == pytest.approx(stands_for, abs=5e-8)


def test_f_numbers_are_marked_by_f():
    assert way(1.0, "aperture", aperture="f/5.6").nominal == "f/4"
    assert way(1.0, "aperture", aperture="5.6").effect.startswith("depth of field shrinks")
    assert way(-1.0, "aperture", aperture="5.6").effect == "depth of field grows"


def test_no_mark_serves_beyond_the_series():
    found = way(-1.0, "aperture", aperture="64")
    assert (found.nominal, found.nominal_exact, found.stops, found.left) == (None, None, 0.0, -1.0)


# t = angle / (360 x rate): 90 degrees at 24 is 1/96 s; a stop is a factor of two.
def test_angle_and_time():
    assert way(1.0, "angle", angle="90", rate="24").nominal == "180 deg"
    assert way(-0.5, "angle", angle="180", rate="24").exact == pytest.approx(127.27922, abs=5e-6)
    assert way(-0.5, "angle", angle="180", rate="24").nominal == "120 deg"
    assert way(1.0, "time", time="1/96", rate="24").nominal == "1/48 s"
    assert way(1.0, "time", time="1/50", rate="23.976").exact == pytest.approx(0.04, abs=1e-12)
    assert "motion blur x2.00" in way(1.0, "time", time="1/96", rate="24").effect


def test_no_longer_than_a_frame():  # 172.8 of 360 degrees: 1.0589 stops, arithmetic
    found = way(3.0, "angle", angle="172.8", rate="24")
    assert (found.exact, found.nominal) == (360.0, "360 deg")
    assert found.stops == pytest.approx(1.0589, abs=5.1e-5)
    assert found.effect.startswith("a whole frame gives no more than 1.06 stops")
    found = way(3.0, "time", time="1/50", rate="25")
    assert found.exact == pytest.approx(1 / 25, abs=1e-15)
    assert found.nominal == "1/25 s"


# ISO 12232 names the indices; log2 of their ratio is arithmetic.
@pytest.mark.parametrize(
    ("now", "stops", "exact", "mark", "gives"),
    [
        ("800", 1.0, 400.0, "400", 1.0),
        ("800", 3.0, 100.0, "100", 3.0),
        ("800", 1 / 3, 634.9604, "640", 0.321928),
        ("800", -1.0, 1600.0, "1600", -1.0),
    ],
)
def test_index(now, stops, exact, mark, gives):
    found = way(stops, "index", index=now)
    assert found.exact == pytest.approx(exact, abs=5e-5)
    assert (found.nominal, found.stops) == (mark, pytest.approx(gives, abs=5.1e-7))
    assert found.effect.startswith("no light by itself")


def test_filters_are_as_few_as_can_be():
    for steps in range(17):
        density = DENSITIES[0] * steps
        stack = filters(density)
        assert sum(stack) == density
        assert set(stack) <= set(DENSITIES)
        assert len(stack) == math.ceil(steps / len(DENSITIES))


def test_series_are_thirds():  # marks from memory, held to two series of numbers
    for k, stands_for in enumerate(APERTURES.values()):
        assert stands_for == pytest.approx(2.0 ** ((k - 3) / 6.0), rel=1e-12)
    for k, mark in enumerate(INDICES):
        assert abs(math.log2(mark / (25.0 * 2.0 ** (k / 3.0)))) < 0.04
        r10 = 10.0 ** ((14 + k) / 10.0)  # ISO 3: 25.1, 31.6, 39.8 ...
        assert abs(math.log2(mark / r10)) < 0.04


def test_marked_index():
    assert marked_index(1269.921) == 1250.0
    assert marked_index(860.0) == 860.0


@pytest.mark.parametrize(
    ("written", "complaint"),
    [
        ({"aperture": "4", "t_stop": "4"}, "an aperture and a T-stop say the same"),
        ({"time": "1/48", "angle": "180", "rate": "24"}, "a time and an angle say the same"),
        ({"time": "1/48"}, "a time or an angle needs the frame rate; give --rate"),
        ({"angle": "400", "rate": "24"}, "a shutter angle is at most 360 degrees"),
        ({"time": "1/20", "rate": "24"}, "0.05 s is longer than one frame at 24 per second"),
    ],
)
def test_settings_that_cannot_be(written, complaint):
    with pytest.raises(ValueError) as caught:
        present(**written)
    assert str(caught.value).startswith(complaint)


def test_present_settings_are_told_with_what_their_labels_are_off_by():
    found = {each.name: each for each in present(aperture="f/5.6", density="0.9").given}
    assert found["aperture"].exact == pytest.approx(5.6568542, abs=5e-8)  # ISO 517
    assert found["aperture"].off_by == pytest.approx(-0.0291, abs=5.1e-5)
    # 0.9 holds back 2.98974 stops and is called 3: it lets 0.01026 more through
    assert found["density"].off_by == pytest.approx(0.01026, abs=5.1e-6)
    assert found["density"].written == "0.9"
    assert Present(rate=Label("24", Fraction(24))).given[0].unit == "fps"

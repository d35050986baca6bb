"""Photographic arithmetic against the published series and closed forms."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep import photometry as ph

EXACT = {"rel": 1e-13, "abs": 1e-13}
LABEL = {"abs": 5.1e-5}  # a table of four decimals


# Neutral density: D = log10(1/T), stops = D / log10(2); arithmetic, six or more digits.
@pytest.mark.parametrize(
    ("density", "stops"),
    [
        (0.0, 0.0),
        (0.3, 0.99657843),
        (0.6, 1.9931569),
        (0.9, 2.9897353),
        (1.2, 3.9863137),
        (1.5, 4.9828921),
        (1.8, 5.9794706),
        (2.1, 6.976049),
        (2.4, 7.9726274),
        (3.0, 9.9657843),
    ],
)
def test_density_in_stops(density, stops):
    assert ph.stops_from_density(density) == pytest.approx(stops, rel=1e-7)
    assert ph.density_from_stops(ph.stops_from_density(density)) == pytest.approx(density, **EXACT)
    transmittance = 10.0**-density
    assert ph.stops_from_density(density) == pytest.approx(-math.log2(transmittance), **EXACT)


def test_one_stop_is_a_density_of_log10_2():
    assert ph.density_from_stops(1.0) == pytest.approx(0.3010299957, abs=1e-10)
    assert ph.stops_from_density(0.6 + 0.9) == pytest.approx(4.9828921, rel=1e-7)


# Full stops (encyclopaedias, "F-number"; ISO 517): N = sqrt(2) ** AV, and how far the mark is off.
@pytest.mark.parametrize(
    ("av", "mark", "exact", "off"),
    [
        (0, 1.0, 1.0, 0.0),
        (1, 1.4, 1.4142136, 0.0291),
        (2, 2.0, 2.0, 0.0),
        (3, 2.8, 2.8284271, 0.0291),
        (4, 4.0, 4.0, 0.0),
        (5, 5.6, 5.6568542, 0.0291),
        (6, 8.0, 8.0, 0.0),
        (7, 11.0, 11.313708, 0.0811),
        (8, 16.0, 16.0, 0.0),
        (9, 22.0, 22.627417, 0.0811),
        (10, 32.0, 32.0, 0.0),
        (11, 45.0, 45.254834, 0.0163),
        (12, 64.0, 64.0, 0.0),
    ],
)
def test_full_stops_of_aperture(av, mark, exact, off):
    assert ph.aperture_from_av(av) == pytest.approx(exact, rel=5e-8)
    assert ph.aperture_from_av(av) == pytest.approx(math.sqrt(2.0) ** av, **EXACT)
    assert ph.av_from_aperture(ph.aperture_from_av(av)) == pytest.approx(av, **EXACT)
    assert ph.exact_aperture(mark) == ph.aperture_from_av(av)
    assert av - ph.av_from_aperture(mark) == pytest.approx(off, **LABEL)


# Third stops (encyclopaedias, "F-number"): 2 ** (k / 6) for the marks in order.
THIRDS = (
    "1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22"
)


@pytest.mark.parametrize(("k", "mark"), list(enumerate(THIRDS.split())))
def test_third_stops_of_aperture(k, mark):
    assert ph.exact_aperture(float(mark)) == pytest.approx(2.0 ** (k / 6.0), abs=1e-9)


def test_worst_mark_is_f_1_2():
    off = ph.av_from_aperture(ph.exact_aperture(1.2)) - ph.av_from_aperture(1.2)
    assert off == pytest.approx(0.1406, **LABEL)


def test_t_stop():  # arithmetic: f/2 at 80 % transmittance is T2.23607, 0.32193 stop slower
    assert ph.t_stop(2.0, transmittance=0.8) == pytest.approx(2.23607, abs=5e-6)
    slower = ph.av_from_aperture(ph.t_stop(2.0, transmittance=0.8)) - ph.av_from_aperture(2.0)
    assert slower == pytest.approx(0.32193, abs=5e-6)
    assert ph.t_stop(2.8, transmittance=1) == 2.8


# Public tables of exposure times (ISO 516): the marked series stands for powers of two.
@pytest.mark.parametrize(
    ("mark", "exact", "off"),
    [
        (1, 1, 0.0),
        (2, 2, 0.0),
        (4, 4, 0.0),
        (8, 8, 0.0),
        (15, 16, 0.0931),
        (30, 32, 0.0931),
        (60, 64, 0.0931),
        (125, 128, 0.0342),
        (250, 256, 0.0342),
        (500, 512, 0.0342),
        (1000, 1024, 0.0342),
        (2000, 2048, 0.0342),
        (4000, 4096, 0.0342),
        (8000, 8192, 0.0342),
    ],
)
def test_marked_times(mark, exact, off):
    assert ph.exact_time(1 / mark) == 1 / exact
    assert ph.exact_time(Fraction(1, mark)) == 1 / exact
    assert math.log2(exact / mark) == pytest.approx(off, **LABEL)


def test_marked_long_times():  # from memory, held to powers of two
    assert [ph.exact_time(mark) for mark in (1, 2, 4, 8, 15, 30, 60)] == [1, 2, 4, 8, 16, 32, 64]


# SMPTE ST 12-1: 24, 30 and 60 at 1000/1001.
@pytest.mark.parametrize(
    ("label", "rate"),
    [
        ("23.976", Fraction(24000, 1001)),
        ("23.98", Fraction(24000, 1001)),
        (23.976, Fraction(24000, 1001)),
        (24000 / 1001, Fraction(24000, 1001)),
        (23.97602272033691, Fraction(24000, 1001)),  # the same as a single-precision float
        ("24000/1001", Fraction(24000, 1001)),
        (Fraction(24000, 1001), Fraction(24000, 1001)),
        ("29.97", Fraction(30000, 1001)),
        ("47.952", Fraction(48000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("119.88", Fraction(120000, 1001)),
        ("24", Fraction(24)),
        (25, Fraction(25)),
        (24.0, Fraction(24)),
        ("24.00", Fraction(24)),
        ("30.000000", Fraction(30)),
        ("12.5", Fraction(25, 2)),
        ("23.9", Fraction(239, 10)),
        ("23.97", Fraction(2397, 100)),
        (" 25 ", Fraction(25)),
        ("48/2", Fraction(24)),
    ],
)
def test_frame_rates(label, rate):
    assert ph.frame_rate(label) == rate


@pytest.mark.parametrize(
    "label", ["", "0", "0.00", "0/5", "5/0", "-24", "24p", "nan", "1e9", math.inf, "24\n/1", "٢"]
)
def test_refused_frame_rates(label):
    with pytest.raises(ValueError) as caught:
        ph.frame_rate(label)
    assert str(caught.value) == f"{label!r} is no frame rate; write 24, 23.976 or 24000/1001"


# Shutter angle: t = angle / (360 x rate); milliseconds to six decimals, arithmetic.
@pytest.mark.parametrize(
    ("angle", "stops", "at_23_976", "at_24", "at_25", "at_48"),
    [
        (11.25, -4.0, 1.303385, 1.302083, 1.250000, 0.651042),
        (22.5, -3.0, 2.606771, 2.604167, 2.500000, 1.302083),
        (45, -2.0, 5.213542, 5.208333, 5.000000, 2.604167),
        (86.4, -1.0589, 10.010000, 10.000000, 9.600000, 5.000000),
        (90, -1.0, 10.427083, 10.416667, 10.000000, 5.208333),
        (144, -0.3219, 16.683333, 16.666667, 16.000000, 8.333333),
        (172.8, -0.0589, 20.020000, 20.000000, 19.200000, 10.000000),
        (180, 0.0, 20.854167, 20.833333, 20.000000, 10.416667),
        (270, 0.5850, 31.281250, 31.250000, 30.000000, 15.625000),
        (360, 1.0, 41.708333, 41.666667, 40.000000, 20.833333),
    ],
)
def test_shutter_angles(angle, stops, at_23_976, at_24, at_25, at_48):
    times = {"23.976": at_23_976, "24": at_24, "25": at_25, "48": at_48}
    for rate, milliseconds in times.items():
        time = ph.seconds_from_angle(angle, rate=rate)
        assert float(1000 * time) == pytest.approx(milliseconds, abs=5.1e-7)
        assert ph.angle_from_seconds(time, rate=rate) == angle
        assert ph.angle_from_seconds(float(time), rate=rate) == pytest.approx(angle, **EXACT)
    ratio = ph.seconds_from_angle(angle, rate=24) / ph.seconds_from_angle(180, rate=24)
    assert math.log2(ratio) == pytest.approx(stops, **LABEL)


def test_shutter_angles_that_come_out_whole():  # arithmetic
    assert ph.seconds_from_angle(172.8, rate=24) == Fraction(1, 50)
    assert ph.seconds_from_angle(144, rate=24) == Fraction(1, 60)
    assert ph.seconds_from_angle(180, rate=25) == Fraction(1, 50)
    assert ph.seconds_from_angle(180, rate="23.976") == Fraction(1001, 48000)


@pytest.mark.parametrize("rate", ["23.976", "29.97", "59.94", 24, 93, 117])
def test_a_whole_frame_told_as_a_float_is_a_full_turn(rate):
    assert ph.angle_from_seconds(float(1 / ph.frame_rate(rate)), rate=rate) == 360.0


# ISO 12232 names the speeds; log2 of their ratio is arithmetic.
@pytest.mark.parametrize(
    ("index", "reference", "stops"),
    [
        (1600, 800, 1.0),
        (400, 800, -1.0),
        (100, 800, -3.0),
        (640, 800, -0.321928),
        (500, 800, -0.678072),
        (1250, 800, 0.643856),
        (800, 500, 0.678072),
        (1280, 160, 3.0),
    ],
)
def test_exposure_index(index, reference, stops):
    assert ph.stops_from_index(index, reference=reference) == pytest.approx(stops, abs=5.1e-7)
    back = ph.index_from_stops(ph.stops_from_index(index, reference=reference), reference=reference)
    assert back == pytest.approx(index, **EXACT)


def test_thirds_of_exposure_index():  # 100 x 2 ** (k / 3)
    assert ph.index_from_stops(1 / 3, reference=100) == pytest.approx(125.9921, abs=5e-5)
    assert ph.index_from_stops(2 / 3, reference=100) == pytest.approx(158.7401, abs=5e-5)


# ISO 2720: L = 2 ** EV x K / S with K = 12.5, E = 2 ** EV x C / S with C = 250, or 340 (hemisphere:
# 320 to 540; documentation of colour-hdri, average_illuminance), at S = 100.
@pytest.mark.parametrize(
    ("ev", "candela", "lux", "lux_340"),
    [
        (0, 0.125, 2.5, 3.4),
        (3, 1, 20, 27.2),
        (5, 4, 80, 108.8),
        (8, 32, 640, 870.4),
        (10, 128, 2560, 3481.6),
        (12, 512, 10240, 13926.4),
        (14, 2048, 40960, 55705.6),
        (15, 4096, 81920, 111411.2),
        (16, 8192, 163840, 222822.4),
    ],
)
def test_light_of_an_exposure_value(ev, candela, lux, lux_340):
    assert ph.luminance(ev) == pytest.approx(candela, **EXACT)
    assert ph.illuminance(ev) == pytest.approx(lux, **EXACT)
    assert ph.illuminance(ev, constant=340) == pytest.approx(lux_340, **EXACT)


# ISO 2720: the surface on which both kinds of meter agree reflects pi K / C.
@pytest.mark.parametrize(
    ("k", "c", "reflectance"),
    [
        (12.5, 250, 0.1570796),
        (12.5, 340, 0.1154997),
        (14, 250, 0.1759292),
        (14, 340, 0.1293597),
        (10.6, 240, 0.1387537),
        (13.4, 400, 0.1052434),
    ],
)
def test_reflectance_that_meters_agree_on(k, c, reflectance):
    agreed = math.pi * ph.luminance(9.0, constant=k) / ph.illuminance(9.0, constant=c)
    assert agreed == pytest.approx(reflectance, abs=5.1e-8)


# The sunny 16 rule (common practice) as arithmetic: f/16 at 1/S.
@pytest.mark.parametrize(
    ("index", "seconds", "ev_set", "ev_100", "candela", "lux"),
    [
        (100, Fraction(1, 100), 14.64386, 14.64386, 3200, 64000),
        (100, Fraction(1, 125), 14.96578, 14.96578, 4000, 80000),
        (100, Fraction(1, 128), 15.0, 15.0, 4096, 81920),
        (400, Fraction(1, 400), 16.64386, 14.64386, 3200, 64000),
        (800, Fraction(1, 800), 17.64386, 14.64386, 3200, 64000),
    ],
)
def test_exposure_values(index, seconds, ev_set, ev_100, candela, lux):
    assert ph.exposure_value(aperture=16, seconds=seconds) == pytest.approx(ev_set, abs=5.1e-6)
    ev = ph.exposure_value(aperture=16, seconds=seconds, index=index)
    assert ev == pytest.approx(ev_100, abs=5.1e-6)
    assert ph.luminance(ev) == pytest.approx(candela, rel=1e-12)
    assert ph.illuminance(ev) == pytest.approx(lux, rel=1e-12)


NORMAL = ph.Setting(aperture=4.0, seconds=Fraction(1, 48), index=800, density=0.9)


@pytest.mark.parametrize(
    ("change", "stops"),
    [
        ({}, 0.0),
        ({"aperture": 2.0}, 2.0),
        ({"aperture": 8.0}, -2.0),
        ({"seconds": Fraction(1, 24)}, 1.0),
        ({"seconds": 1 / 96}, -1.0),
        ({"index": 1600}, 1.0),
        ({"index": 640}, -0.321928094887),
        ({"density": 0.0}, 2.98973528540),
        ({"density": 1.2}, -0.996578428466),
        ({"aperture": 2.0, "seconds": Fraction(1, 24), "index": 400}, 2.0),
    ],
)
def test_difference_of_settings(change, stops):
    values = {"aperture": 4.0, "seconds": Fraction(1, 48), "index": 800, "density": 0.9}
    setting = ph.Setting(**{**values, **change})
    assert ph.exposure_difference(setting, reference=NORMAL) == pytest.approx(stops, abs=1e-11)
    assert ph.exposure_difference(NORMAL, reference=setting) == pytest.approx(-stops, abs=1e-11)


def test_difference_of_rates_at_one_angle():  # arithmetic: 24 to 48 is a stop, 23.976 to 24 is not
    def at(rate):
        time = ph.seconds_from_angle(180, rate=rate)
        return ph.Setting(aperture=4.0, seconds=time, index=800)

    assert ph.exposure_difference(at(48), reference=at(24)) == pytest.approx(-1.0, **EXACT)
    drift = ph.exposure_difference(at(24), reference=at("23.976"))
    assert drift == pytest.approx(-0.001442, abs=5.1e-7)


settings = st.builds(
    ph.Setting,
    aperture=st.floats(0.7, 90.0),
    seconds=st.floats(1e-5, 100.0),
    index=st.floats(1.0, 1e6),
    density=st.floats(0.0, 6.0),
)


@given(settings, settings, settings)
def test_differences_add_up(a, b, c):
    direct = ph.exposure_difference(a, reference=c)
    by_way = ph.exposure_difference(a, reference=b) + ph.exposure_difference(b, reference=c)
    assert direct == pytest.approx(by_way, abs=1e-12)


@given(settings)
def test_difference_is_the_ratio_of_light_times_index(setting):
    def level(s):
        return s.seconds * 10.0**-s.density / s.aperture**2 * s.index

    ratio = level(setting) / level(NORMAL)
    difference = ph.exposure_difference(setting, reference=NORMAL)
    assert difference == pytest.approx(math.log2(ratio), abs=1e-12)


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        (lambda: ph.stops_from_density(-0.3), "a density must be zero or more, not -0.3"),
        (lambda: ph.stops_from_density(math.nan), "a density must be a finite number, not nan"),
        (lambda: ph.density_from_stops(-1), "the stops of a filter must be zero or more, not -1"),
        (lambda: ph.av_from_aperture(0.0), "an aperture must be above zero, not 0.0"),
        (lambda: ph.av_from_aperture(math.inf), "an aperture must be a finite number, not inf"),
        (
            lambda: ph.aperture_from_av(1e9),
            "1e+09 stops is beyond +-40, more than any plate spans",
        ),
        (
            lambda: ph.exact_aperture(1.06),
            "1.06 is no marked aperture; the nearest third-stop is 1.122",
        ),
        (
            lambda: ph.t_stop(2.0, transmittance=1.1),
            "a transmittance is at most 1, not 1.1",
        ),
        (lambda: ph.t_stop(2.0, transmittance=0), "a transmittance must be above zero, not 0"),
        (lambda: ph.t_stop(-2.0, transmittance=1), "an f-number must be above zero, not -2.0"),
        (
            lambda: ph.seconds_from_angle(360.1, rate=24),
            "a shutter angle is at most 360 degrees, not 360.1",
        ),
        (
            lambda: ph.seconds_from_angle(0, rate=24),
            "a shutter angle must be above zero, not 0",
        ),
        (lambda: ph.angle_from_seconds(0, rate=24), "a time must be above zero, not 0"),
        (
            lambda: ph.angle_from_seconds(0.05, rate=24),
            "0.05 s is longer than one frame at 24 per second",
        ),
        (
            lambda: ph.exact_time(1 / 50),
            "0.02 s is no marked full-stop time; the nearest is 0.015625 s",
        ),
        (
            lambda: ph.stops_from_index(0, reference=800),
            "an exposure index must be above zero, not 0",
        ),
        (
            lambda: ph.stops_from_index(800, reference=-1),
            "an exposure index must be above zero, not -1",
        ),
        (
            lambda: ph.index_from_stops(math.nan, reference=800),
            "nan is not a number of stops; give a finite number",
        ),
        (
            lambda: ph.exposure_value(aperture=4, seconds=-1),
            "a time must be above zero, not -1",
        ),
        (lambda: ph.luminance(10, constant=0), "the constant K must be above zero, not 0"),
        (lambda: ph.illuminance(10, constant=-1), "the constant C must be above zero, not -1"),
        (
            lambda: ph.Setting(aperture=0, seconds=1, index=100),
            "an aperture must be above zero, not 0",
        ),
        (
            lambda: ph.Setting(aperture=4, seconds=0, index=100),
            "a time must be above zero, not 0",
        ),
        (
            lambda: ph.Setting(aperture=4, seconds=1, index=0),
            "an exposure index must be above zero, not 0",
        ),
        (
            lambda: ph.Setting(aperture=4, seconds=1, index=100, density=-1),
            "a density must be zero or more, not -1",
        ),
    ],
)
def test_refuses_what_cannot_be(call, complaint):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == complaint


def test_a_number_beyond_any_float_is_refused():
    with pytest.raises(ValueError, match="a time must be a finite number"):
        ph.exposure_value(aperture=4, seconds=10**400)

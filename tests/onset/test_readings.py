"""Readings of light come down to one luminance, and to stops above grey."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.onset.readings import between, parse

EXACT = {"rel": 1e-12, "abs": 1e-12}


def stops(grey, bright, **told):
    return between(parse(grey), parse(bright), **told).bright


# ISO 2720: L = 2 ** EV x K / S with K = 12.5.
@pytest.mark.parametrize(
    ("written", "candela"),
    [
        ("40cd/m2", 40.0),
        ("40 cd/m²", 40.0),
        ("0EV@100", 0.125),
        ("10EV@100", 128.0),
        ("15 EV @ 100", 4096.0),
        ("15ev@800", 512.0),  # the same EV at three stops more speed is three stops less light
        ("-2EV@100", 0.03125),
        ("14.6438561898EV@100", 3200.0),  # f/16 at 1/100 s in full sun (common practice)
        ("16.6438561898EV@400", 3200.0),
    ],
)
def test_luminance(written, candela):
    assert parse(written).cd_m2(reflectance=0.18) == pytest.approx(candela, rel=1e-10)


def test_constant_of_the_meter():  # ISO 2720: 12.5 and 14 are in use
    assert parse("10EV@100").cd_m2(reflectance=1.0, constant=14.0) == pytest.approx(143.36, **EXACT)


def test_matte_surface():  # Lambert's cosine law: a perfect diffuser under pi lx has 1 cd/m2
    reading = parse("3.141592653589lx")
    assert reading.cd_m2(reflectance=1.0) == pytest.approx(1.0, rel=1e-11)
    assert reading.cd_m2(reflectance=0.18) == pytest.approx(0.18, rel=1e-11)


@pytest.mark.parametrize(
    ("grey", "bright", "told"),
    [
        ("40cd/m2", "320cd/m2", 3.0),
        ("9.3EV@800", "13.3EV@800", 4.0),
        ("9.3EV@800", "13.3EV@1600", 3.0),
        # incident on both: a perfect diffuser in equal light is 1 / 0.18, 2.4739 stops
        ("700lx", "700lux", 2.4739312),
    ],
)
def test_stops_above_grey(grey, bright, told):
    assert stops(grey, bright) == pytest.approx(told, abs=1e-7)


# ISO 2720: both kinds of meter agree on a surface of pi K / C, 15.708 % with 12.5 and 250, which
# is 0.1965 stop under 18 %; with 14 it is 0.0330.
@pytest.mark.parametrize(("constant", "apart"), [(12.5, -0.1965), (14.0, -0.0330)])
def test_kinds_of_meter_compared(constant, apart):
    told = stops("2560lx", "10EV@100", constant=constant)  # both EV 10 at C = 250
    assert told == pytest.approx(apart, abs=5.1e-5)


def test_reflectance_of_the_brightest_thing():
    assert stops("700lx", "700lx", reflectance=0.18) == pytest.approx(0.0, abs=1e-12)
    assert stops("700lx", "1400lx", reflectance=0.09) == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0.01, 1e5), st.floats(0.01, 1e5))
def test_spot_readings_need_only_their_ratio(low, high):
    told = stops(f"{low:.6f}cd/m2", f"{high:.6f}cd/m2")
    assert told == pytest.approx(math.log2(round(high, 6) / round(low, 6)), abs=1e-9)


@pytest.mark.parametrize(
    ("written", "complaint"),
    [
        ("40", "'40' is no reading; write 40cd/m2, 700lx or 9.3EV@800"),
        ("bright", "'bright' is no reading; write 40cd/m2, 700lx or 9.3EV@800"),
        ("9.3EV", "'9.3EV' names no index; write it as 9.3EV@100"),
        ("9.3EV@0", "an exposure index must be above zero, not 0.0"),
        ("9.3EV@1.2.3", "'1.2.3' is no exposure index"),
        ("99EV@100", "99 stops is beyond +-40, more than any plate spans"),
        ("0cd/m2", "a reading of light must be above zero, not 0cd/m2"),
        ("-5lx", "a reading of light must be above zero, not -5lx"),
    ],
)
def test_refused_readings(written, complaint):
    with pytest.raises(ValueError) as caught:
        parse(written)
    assert str(caught.value) == complaint


@pytest.mark.parametrize("reflectance", [0.0, -0.2, 1.01, math.nan])
def test_refused_reflectance(reflectance):
    with pytest.raises(ValueError, match="a reflectance lies above 0 and is at most 1"):
        stops("700lx", "700lx", reflectance=reflectance)

"""Where an encoding ends, against published curves, and its curve both ways around black."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gradeprep.errors import ColourError
from gradeprep.onset.encoding import Curve, encodable
from gradeprep.plugins.contracts import Scale


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch):
    monkeypatch.delenv("OCIO", raising=False)


# Academy S-2014-003 and S-2016-001: code 1.0 is 222.861, "just over 10 stops above mid grey".
@pytest.mark.parametrize("space", ["ACEScct", "ACEScc"])
def test_end_of_an_encoding(space):
    found = encodable(space, None)
    assert found.stops == pytest.approx(math.log2(222.8609442 / 0.18), abs=2e-5)
    assert found.stops == pytest.approx(10.2739, abs=1e-4)
    assert found.source == "encodable"
    assert found.how == f"code 1.0 of {space}"


@pytest.mark.parametrize(
    ("space", "says"),
    [
        ("ACEScg", "'ACEScg' has no ceiling: its values go on"),
        ("ACES2065-1", "has no ceiling"),
        ("Raw", "is data, not light"),
        ("sRGB Encoded Rec.709 (sRGB)", "is display-referred"),
        ("ACEScctt", "did you mean 'ACEScct'"),
    ],
)
def test_spaces_without_a_ceiling(space, says):
    with pytest.raises(ColourError) as caught:
        encodable(space, None)
    assert says in str(caught.value)
    assert str(caught.value).startswith("--space: ")


def acescct_light(code):  # Academy S-2016-001
    low = (code - 0.0729055341958355) / 10.5402377416545
    return np.where(code <= 0.155251141552511, low, np.exp2(code * 17.52 - 9.72))


def tone(code):
    with np.errstate(divide="ignore"):
        return np.log2(np.maximum(acescct_light(np.asarray(code, np.float64)), 0.0) / 0.18)


def test_curve_goes_on_under_black():
    curve = Curve(Scale(1.0, 0.0, True, tone), half=False)
    code = np.linspace(0.0, 0.95, 5000).astype(np.float32)
    light = curve.light(code)
    assert light[0] == pytest.approx(-0.006916877587, rel=1e-4)  # ACEScct = 0
    np.testing.assert_allclose(light, acescct_light(code.astype(np.float64)), rtol=2e-6, atol=1e-7)


def test_rounding_of_codes():  # a twelfth of the squared step; a code is 1 / (1023 x 17.52) stop
    curve = Curve(Scale(1.0, 1.0 / 1023.0, True, tone), half=False)
    step = 0.18 * math.log(2.0) * 17.52 / 1023.0
    assert curve.rounding(np.array([0.18]))[0] == pytest.approx(step**2 / 12.0, rel=1e-3)


def test_rounding_of_linear_values():
    def linear(values):
        with np.errstate(divide="ignore"):
            return np.log2(np.asarray(values) / 0.18)

    half = Curve(Scale(65504.0, 0.0, False, linear), half=True)
    # IEEE 754 binary16: 1.5 and its neighbour are 2**-10 apart, 0.18's are 2**-13
    assert half.rounding(np.array([1.5, 0.18])) == pytest.approx(
        [2.0**-20 / 12.0, 2.0**-26 / 12.0], rel=1e-9
    )
    codes = Curve(Scale(1.0, 1.0 / 4095.0, False, linear), half=False)
    assert codes.rounding(np.array([0.2]))[0] == pytest.approx(4095.0**-2 / 12.0, rel=1e-9)
    assert codes.light(np.array([0.25, -0.1], np.float32)) == pytest.approx([0.25, -0.1], rel=1e-6)

"""The picture meters on real images: a film pair in two encodings, and a bracketed room."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import OpenImageIO as oiio
import pytest
from fakeview import FakeView
from harbour import harbour_with
from support import plates_folder, run
from test_pair import film_pair, pair

from gradeprep.meters.reference import Reference, ReferenceParams
from gradeprep.plugins.contracts import Scale

# Flat grey fields of the ramp in the picture: x, y, width, height in pixels.
FIELDS = ([400, 136, 48, 24], [0.78, 0.35, 0.09, 0.06])

PAIR_TOLERANCE = 0.003
"""Stops: 0.15 of a 10-bit code, by which the pair itself differs, is 0.002 stop; half rounding."""


@pytest.mark.parametrize("region", FIELDS, ids=["pixels", "fractions"])
def test_the_film_pair_reads_alike_in_log_and_in_linear(region, tmp_path, capsys):
    """Through the program: the grey field of both, and the one as the other's reference."""
    scan, linear = pair()
    config = harbour_with(tmp_path / "c.ocio", film_pair())
    card = f"{{pull: {{stops: {{meter: grey_card, region: {region}}}}}}}"
    match = "{pull: {stops: {meter: reference, shot: linear, mode: frame}}}"
    rows = [
        f"  {name}: {{plate: '{path}', space: {space}, stages: [{stage}], "
        f"output: {{plate: '{tmp_path}/out/{name}{path.suffix}'}}}}"
        for name, path, space, stage in (
            ("scan", scan, "Film Pair", card),
            ("linear", linear, "Linear Rec.709", card),
            ("match", scan, "Film Pair", match),
        )
    ]
    recipe = tmp_path / "r.yaml"
    recipe.write_text("\n".join(["gradeprep: 1", f"colour: {{config: {config}}}", "shots:", *rows]))
    ran = run(capsys, "plan", recipe, "--json")
    assert ran.code == 0, ran
    shots = json.loads(ran.out)["shots"]
    readings = {name: shot["document"]["readings"][0] for name, shot in shots.items()}
    one, other = readings["scan"], readings["linear"]
    assert one["stops"] == pytest.approx(other["stops"], abs=PAIR_TOLERANCE)
    assert abs(one["stops"] - other["stops"]) < 3.0 * math.hypot(one["sigma"], other["sigma"])
    np.testing.assert_allclose(one["balance"], other["balance"], atol=0.01)
    assert readings["match"]["stops"] == pytest.approx(other["stops"], abs=PAIR_TOLERANCE)


WEIGHTS = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709


def decoded(values):
    """Light of an sRGB code (IEC 61966-2-1): an approximation of what a camera's JPEG holds."""
    share = np.asarray(values, np.float64)
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def coded(light):
    curve = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, light * 12.92, curve)


def tone(values):
    with np.errstate(divide="ignore"):
        return np.log2(decoded(values) / 0.18)


SCALE = Scale(ceiling=1.0, step=1 / 255, log=False, tone=tone)


def bracket() -> list[tuple[float, np.ndarray]]:
    """Exposure time in seconds and light of each picture of the room, longest first."""
    found = []
    for path in sorted((plates_folder() / "brackets" / "room").glob("*.jpg")):
        source = oiio.ImageInput.open(str(path))
        seconds = source.spec().getattribute("ExposureTime")
        found.append((seconds, decoded(source.read_image(oiio.FLOAT)).astype(np.float32)))
    assert len(found) >= 5
    return sorted(found, key=lambda pair: -pair[0])


def test_a_bracket_of_a_room_is_put_in_order():
    """Neighbours against EXIF's times. A camera's JPEG carries a contrast curve that sRGB does
    not take back: a stop of time reads as 1.0 to 1.7 stops, and the meter says why."""
    for (seconds, here), (less, there) in itertools.pairwise(bracket()):
        other = FakeView({1: there}, shot="next", scale=SCALE, encode=coded, weights=WEIGHTS)
        plate = FakeView(
            {1: here}, scale=SCALE, encode=coded, weights=WEIGHTS, others={"next": other}
        )
        reading = Reference().read(plate, ReferenceParams(shot="next", mode="frame"))
        truth = math.log2(less / seconds)
        assert 1.0 < reading.stops / truth < 1.7
        assert reading.sigma > 0.2
        assert "a display-referred picture" in reading.warnings[0]

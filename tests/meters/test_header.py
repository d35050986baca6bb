"""The header meter against closed forms, EXR and DPX headers, and what a header may lack."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import OpenEXR
import pytest
from fakeview import FakeView
from pydantic import ValidationError
from support import plates_folder, write_exr

from gradeprep.meters.camera_header import camera_of
from gradeprep.meters.header import Header, HeaderParams
from gradeprep.plates import dpxheader, files

SINGLE = {  # as a codec tells numbers of single precision
    "expTime": float(np.float32(0.02)),
    "aperture": float(np.float32(5.6)),
    "isoSpeed": 800.0,
    "framesPerSecond": Fraction(24),
}


def view(*headers, shot="here", stops=0.0, others=None):
    frames = {1001 + index: header for index, header in enumerate(headers)}
    pictures = dict.fromkeys(frames, np.ones((2, 2, 3)))
    return FakeView(pictures, shot=shot, headers=frames, stops=stops, others=others or {})


def read(plate, **params):
    return Header().read(plate, HeaderParams.model_validate(params))


def test_single_precision_is_taken_for_the_decimal_that_was_stored():
    camera = camera_of(SINGLE)
    assert camera.seconds == 0.02
    assert camera.apertures == {"aperture": 5.6}
    assert camera.rate == 24
    assert camera_of({"expTime": np.array([1 / 48])}).seconds == 1 / 48  # a double stays whole
    assert camera_of({"expTime": np.float32(0.1)}).seconds == 0.1


# Stops are 2 log2(N/N'), log2(t'/t), log2(S'/S) and D / log10(2) (ISO 517, ISO 12232, ISO 2720).
@pytest.mark.parametrize(
    ("intended", "stops"),
    [
        ({"aperture": "f/8"}, -1.0),
        ({"aperture": 16}, -3.0),
        ({"aperture": 6}, -2 * math.log2(6 / 2**2.5)),
        ({"time_s": "1/100"}, -1.0),
        ({"angle_deg": "86.4 deg"}, -1.0),
        ({"angle_deg": 172.8, "rate_fps": 48}, -1.0),
        ({"index": 100}, -3.0),
        ({"index": "EI 640"}, math.log2(640 / 800)),
        ({"density": "ND 0.9"}, -0.9 / math.log10(2)),
        ({"aperture": 8, "time_s": 0.01, "index": 400, "density": 0.3}, -3 - 0.3 / math.log10(2)),
    ],
)
def test_against_an_intended_setting(intended, stops):
    assert read(view(SINGLE), intended=intended).stops == pytest.approx(stops, abs=1e-9)


def test_filters_in_front_of_the_lens_are_told_beside_the_header():
    reading = read(view(SINGLE), intended={"density": 0.9}, density=0.3)
    assert reading.stops == pytest.approx(-0.6 / math.log10(2), abs=1e-9)
    assert reading.sigma == pytest.approx(math.hypot(0.05, 0.05))


def test_against_another_shot_whose_pull_is_added():
    there = view({**SINGLE, "isoSpeed": 400.0, "aperture": 8.0}, shot="hero", stops=-1.5)
    reading = read(view(SINGLE, others={"hero": there}), shot="hero")
    assert reading.stops == pytest.approx(-1.5 - 2.0, abs=1e-9)
    assert reading.sigma == pytest.approx(math.sqrt(3) * 0.1)
    assert reading.warnings == ("headers state no light: it is taken to be that of hero",)
    assert reading.evidence["here"]["index"] == 800.0
    assert reading.evidence["reference"]["stops"] == -1.5


def test_as_written_apertures():
    reading = read(view(SINGLE), intended={"aperture": 8}, apertures="as_written")
    assert reading.stops == pytest.approx(-2 * math.log2(8 / 5.6), abs=1e-9)


def test_the_plainest_aperture_that_both_tell_is_compared():
    here = {**SINGLE, "tStop": 4.0}
    there = view({**SINGLE, "tStop": 2.0, "aperture": 5.6}, shot="hero")
    assert read(view(here, others={"hero": there}), shot="hero").stops == pytest.approx(2.0)


def test_what_neither_header_tells_may_be_said_to_be_the_same():
    bare = {"expTime": 0.02}
    plate = view(bare, others={"hero": view({"expTime": 0.01}, shot="hero")})
    assert read(plate, shot="hero", same=("aperture", "index")).stops == pytest.approx(-1.0)
    with pytest.raises(ValueError, match="the header of here frame 1001 states no aperture"):
        read(plate, shot="hero")
    with pytest.raises(ValueError, match=r"states no index \(isoSpeed\); leave it out"):
        read(plate, shot="hero", same=("aperture",))


@pytest.mark.parametrize(
    ("header", "params", "complaint"),
    [
        ({}, {"intended": {"aperture": 8}}, "states no aperture (tStop, fNumber, fStop, aperture)"),
        (
            {},
            {"intended": {"time_s": 1}},
            "states no time (expTime, or a shutter angle and a rate)",
        ),
        ({"expTime": 0.0}, {"intended": {"time_s": 1}}, "states no time"),
        ({"expTime": math.inf}, {"intended": {"time_s": 1}}, "states no time"),
        ({"isoSpeed": "800"}, {"intended": {"index": 1}}, "states no index (isoSpeed)"),
        (
            {"expTime": 0.1},
            {"intended": {"angle_deg": 90}},
            "states no rate for an angle; give rat",
        ),
        (SINGLE, {"intended": {"angle_deg": 361}}, "a shutter angle is at most 360 degrees"),
        (SINGLE, {"intended": {"aperture": "wide"}}, "aperture: 'wide' is not understood"),
        (SINGLE, {"intended": {"index": 0}}, "index: it must be above zero, not 0"),
        (SINGLE, {"shot": "here"}, "a shot cannot be its own reference"),
        ({"shutter_angle": 400.0, "rate": "24"}, {"intended": {"time_s": 1}}, "cannot be: a shut"),
        (
            {"tStop": 2.0},
            {"shot": "hero", "same": ["time", "index"]},
            "states tStop and the header of hero frame 1001 states aperture; they may differ by",
        ),
    ],
)
def test_a_refusal_is_one_line(header, params, complaint):
    plate = view(header, others={"hero": view({"aperture": 4.0}, shot="hero")})
    with pytest.raises(ValueError) as caught:
        read(plate, **params)
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("params", "complaint"),
    [
        ({}, "say either 'intended' (a setting) or 'shot'"),
        ({"shot": "a", "intended": {"index": 1}}, "say either 'intended'"),
        ({"intended": {}}, "say at least one of aperture"),
        ({"intended": {"rate_fps": 24}}, "say at least one of aperture"),
        ({"intended": {"time_s": 1, "angle_deg": 1}}, "time_s and angle_deg say the same"),
        ({"intended": {"iso": 1}}, "Extra inputs are not permitted"),
    ],
)
def test_parameters_that_cannot_be(params, complaint):
    with pytest.raises(ValidationError) as caught:
        HeaderParams.model_validate(params)
    assert complaint in str(caught.value)


def test_a_setting_that_moves_is_warned_of():
    opened = {**SINGLE, "aperture": 4.0}
    reading = read(view(SINGLE, SINGLE, opened), intended={"index": 400})
    (warning,) = reading.warnings
    assert warning == (
        "aperture is 5.65685 at frame 1001 and 4 at frame 1003; the reading is that of frame 1001"
    )
    assert read(view(SINGLE, SINGLE), intended={"index": 400}).warnings == ()
    assert read(view(SINGLE, opened), intended={"aperture": 8}, frame=1002).stops == -2.0


def test_a_real_exr_header(tmp_path):
    plane = np.ones((4, 4), np.float16)
    path = write_exr(
        tmp_path / "a.exr",
        dict.fromkeys("RGB", plane),
        expTime=1 / 50,
        aperture=5.6,
        isoSpeed=800.0,
        captureRate=Fraction(24, 1),
        tStop=np.array([2.0]),
    )
    camera = camera_of(files.read(path).parts[0].header)
    assert camera.seconds == 0.02
    assert camera.apertures == {"tStop": 2.0, "aperture": 5.6}
    assert (camera.index, camera.rate) == (800.0, 24)


def test_a_real_dpx_header():
    raw = dpxheader.new_header(
        width=4,
        height=4,
        channels=("R", "G", "B"),
        bits=10,
        transfer=3,
        colorimetric=0,
        timecode=None,
        rate="24000/1001",
        filename="a.dpx",
    )
    header = dpxheader.decoded(dpxheader.patched(raw, shutter_angle=172.8))
    assert camera_of(header).seconds == pytest.approx(0.02002, rel=1e-15)  # 1001 / 50000
    reading = read(view(header), intended={"angle_deg": 86.4})
    assert reading.stops == pytest.approx(-1.0, abs=1e-9)
    assert camera_of(dpxheader.decoded(raw)).seconds is None


def test_a_camera_file_tells_its_time_as_its_shutter_angle_does():
    for path in plates_folder().rglob("*.exr"):
        if path.name == "test.exr":
            header = OpenEXR.File(str(path), header_only=True).parts[0].header
            if "expTime" in header:
                camera = camera_of(header)
                assert (camera.seconds, camera.index, camera.rate) == (0.02, 800.0, 24)
                return
    pytest.fail("the folder of real images holds no camera file with an exposure time")

"""The check of highlights that were cut off."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from fakeview import LINEAR, FakeView
from plates200 import log_scale, simulate, to_log
from pydantic import ValidationError
from support import plates_folder

from gradeprep.checks.clipping import Ceiling, Clipping, ClippingParams, ceilings, clip_mask
from gradeprep.model.stops import GREY
from gradeprep.pipeline.plateview import PlateAsk, open_plates
from gradeprep.plugins.contracts import Check, Scale

CHECK = Clipping()
HALF = Scale(65504.0, 0.0, False, LINEAR.tone)
PLATES = 200


def look(view, **params):
    return list(CHECK.look(view, ClippingParams(**params)))


def clipped(findings):
    """Findings of channels that clip, by channel."""
    return {f.channel: f for f in findings if "share" in f.numbers}


def glow(peak, *, size=(120, 160), at=(80, 60), noise=0.008, seed=1, tint=(1.0, 1.0, 1.0)):
    """A light in a dim place, ``peak`` stops above grey, 0.12 less a pixel around; with noise."""
    y, x = np.mgrid[: size[0], : size[1]]
    far = np.hypot(x - at[0], y - at[1])
    light = GREY * np.exp2(peak - 0.12 * far).clip(2.0**-3, None)[..., None] * np.array(tint)
    return np.random.default_rng(seed).normal(light, noise * light).astype(np.float32)


def test_keeps_the_contract():
    assert isinstance(CHECK, Check)


# Two hundred simulated plates (EMVA Standard 1288 sensor model); the truth is the simulation's.


@pytest.fixture(scope="module")
def simulated():
    found = []
    for seed in range(PLATES):
        plate = simulate(seed)
        found.append((plate, clipped(look(plate.view))))
    return found


def verdict(plate, found):
    """What is wrong with what was said of a plate; at least 0.01 % of the frame must be seen."""
    wrong = []
    for channel, share, touched in zip("RGB", plate.shares, plate.touched, strict=True):
        if share >= 1e-4 and channel not in found:
            wrong.append(f"{channel} missed ({share:.3%})")
        if not touched and channel in found:
            wrong.append(f"{channel} called clipped")
    return ", ".join(wrong)


def test_at_least_98_in_100_simulated_plates_are_told_right(simulated):
    wrong = {plate.name: verdict(plate, found) for plate, found in simulated}
    misses = "\n".join(f"{name}: {what}" for name, what in wrong.items() if what)
    right = sum(not what for what in wrong.values())
    print(f"\n{right} of {PLATES} plates right in all channels; wrong:\n{misses}")
    assert right >= 0.98 * PLATES, misses
    kinds = Counter((" clipped " in name, name.split()[2], name.split()[3]) for name in wrong)
    assert min(kinds.values()) >= 5
    assert len(kinds) == 40  # five scenes, four recordings, clipped or not


def test_no_whole_simulated_plate_is_called_clipped(simulated):
    called = [plate.name for plate, found in simulated if not any(plate.touched) and found]
    assert called == []


def test_the_share_of_clipped_pixels_is_right(simulated):
    """Within a third: noise at the rim, and demosaicing, leave some pixels to either side."""
    ratios = [
        found[channel].numbers["share"] / share
        for plate, found in simulated
        for channel, share in zip("RGB", plate.shares, strict=True)
        if share >= 1e-3 and channel in found and "rippled" not in plate.name
    ]
    assert len(ratios) > 50
    assert np.mean((np.array(ratios) > 0.67) & (np.array(ratios) < 1.5)) >= 0.98


# One ceiling at a time.


@pytest.mark.parametrize("ripple", [0.0, 0.0005])
def test_a_plateau_below_the_end_of_the_encoding(ripple):
    light = np.minimum(glow(8.0), GREY * 2.0**6)
    light *= np.random.default_rng(2).normal(1.0, ripple, light.shape).astype(np.float32)
    found = clipped(look(FakeView({7: light}, scale=HALF)))
    assert set(found) == set("RGB")
    numbers = found["G"].numbers
    assert numbers["ceiling"] == "plateau"
    assert numbers["ceiling_stops"] == pytest.approx(6.0, abs=0.01)
    assert numbers["ceiling_recorded"] == pytest.approx(GREY * 2.0**6, rel=0.005)
    radius = 2.0 / 0.12
    assert numbers["largest_pixels"] == pytest.approx(np.pi * radius**2, rel=0.1)
    assert numbers["largest_box"] == pytest.approx((63, 43, 34, 34), abs=3)
    assert (found["G"].severity, found["G"].frame, numbers["frames"]) == ("warn", 7, "7")
    assert "plateau" in found["G"].what


def test_a_sensor_that_saturates_at_code_093_of_a_log_curve():
    """Ten bits; code 951 of 1023 is the plateau."""
    top = 951 / 1023
    codes = np.rint(np.minimum(to_log(glow(8.0)), top) * 1023).astype(np.float32) / 1023
    found = clipped(look(FakeView({1: codes}, scale=log_scale(10))))
    assert set(found) == set("RGB")
    assert found["R"].numbers["ceiling_recorded"] == pytest.approx(top, abs=1e-6)
    assert found["R"].numbers["ceiling_stops"] == pytest.approx(17.5 * top - 10.0, abs=1e-3)


def test_channels_clip_on_their_own():
    light = glow(8.0, tint=(1.0, 0.25, 1.0))
    light[..., 0] = np.minimum(light[..., 0], GREY * 2.0**7)
    findings = look(FakeView({1: light}, scale=HALF))
    assert set(clipped(findings)) == {"R"}
    others = {f.channel: f.numbers["known"] for f in findings if "share" not in f.numbers}
    assert others == {"G": False, "B": False}  # where they clip is not seen


def test_the_end_of_the_encoding():
    light = np.minimum(glow(8.0), 1.0)
    found = clipped(look(FakeView({1: light}, scale=Scale(1.0, 1 / 4095, False, LINEAR.tone))))
    assert found["B"].numbers["ceiling"] == "encodable"
    assert found["B"].numbers["ceiling_recorded"] == 1.0


def test_floats_that_pass_the_end_of_a_log_curve_are_not_clipped_there():
    codes = to_log(glow(8.5)).astype(np.float32)
    assert codes.max() > 1.0
    scale = Scale(1.0, 0.0, True, lambda v: np.asarray(v) * 17.5 - 10.0)
    assert clipped(look(FakeView({1: codes}, scale=scale))) == {}


@pytest.mark.parametrize("stated", [{"ceiling": 5.0}, {"code": GREY * 32.0}])
def test_a_stated_ceiling(stated):
    found = clipped(look(FakeView({1: glow(8.0)}, scale=HALF), **stated))
    numbers = found["G"].numbers
    assert numbers["ceiling"] == "stated"
    assert numbers["ceiling_stops"] == pytest.approx(5.0, abs=1e-3)
    assert numbers["share"] == pytest.approx(np.pi * 25.0**2 / (120 * 160), rel=0.05)


def test_a_plateau_under_the_stated_ceiling_is_told_all_the_same():
    light = np.minimum(glow(8.0), GREY * 2.0**6)
    light[3, 3] = GREY * 2.0**7.5  # a hot pixel reaches it
    found = clipped(look(FakeView({1: light}, scale=HALF), ceiling=7.0))
    assert found["G"].numbers["ceiling"] == "plateau"


def test_a_stated_ceiling_that_cannot_be_recorded_is_refused():
    view = FakeView({1: glow(2.0)}, scale=log_scale(10))
    with pytest.raises(ValueError, match=r"ceiling 14 is above 2\.47 stops"):
        look(FakeView(view.pictures, scale=Scale(1.0, 1 / 1023, False, LINEAR.tone)), ceiling=14.0)


def test_a_float_plate_that_ends_at_exactly_one_was_cut_there():
    light = np.minimum(glow(8.0), 1.0)
    flat = np.zeros((120, 160, 3), np.float32)  # a white border, drawn: no noise, hard edges
    flat[:5] = 1.0
    for picture in (light, flat):
        found = clipped(look(FakeView({1: picture})))
        assert "exactly 1.0, the end of a display range" in found["R"].what


# What must not be called clipped.


def patch(noise, edge=0.0):
    dice = np.random.default_rng(4)
    light = np.full((120, 160, 3), 0.05)
    light[30:80, 40:110] = 4.0
    return dice.normal(light, noise * light).astype(np.float32)


@pytest.mark.parametrize(
    ("name", "picture"),
    [
        ("a lamp", glow(8.0)),
        ("a white card, evenly lit", patch(0.006)),
        ("a drawn patch", patch(0.0)),
        ("a constant plate", np.full((64, 64, 3), 0.7, np.float32)),
        ("nothing", np.zeros((64, 64, 3), np.float32)),
        ("a small plate", np.full((2, 3, 3), 0.7, np.float32)),
        (
            "a drawn ramp",
            np.linspace(0.0, 7.0, 160 * 120 * 3, dtype=np.float32).reshape(120, 160, 3),
        ),
        (
            "an 8-bit ramp",
            np.repeat(np.arange(240) / 100, 240).reshape(120, 160, 3).astype(np.float32),
        ),
    ],
)
def test_whole_pictures_are_not_called_clipped(name, picture):
    assert clipped(look(FakeView({1: picture}, scale=HALF))) == {}, name


def test_a_smooth_top_without_noise_in_ten_bits():
    """A sixth power is the flattest top that a band holds four times the next one's area of."""
    y, x = np.mgrid[:400, :400]
    for power in (2, 4, 6):
        top = 0.9 - 0.5 * (np.hypot(x - 200, y - 200) / 200) ** power
        codes = np.rint(np.maximum(top, 0.1) * 1023).astype(np.float32) / 1023
        view = FakeView({1: codes[..., None].repeat(3, 2)}, scale=log_scale(10))
        assert clipped(look(view)) == {}, power


def painted(noise=0.0, seed=3):
    """A ball, shaded up to a colour of 0.5 that covers most of it, before black; or with noise."""
    y, x = np.mgrid[:240, :320]
    shade = np.clip(1.6 - np.hypot(x - 160, y - 120) / 70, 0.0, 1.0)
    light = np.sqrt(shade)[..., None] * np.array([0.5, 0.5, 0.25])
    noisy = np.random.default_rng(seed).normal(light, noise * light)
    return np.minimum(noisy, [0.5, 0.5, 0.25]).astype(np.float16).astype(np.float32)


def test_a_flat_area_beside_gradients_without_noise_is_a_note_and_no_ceiling():
    view = FakeView({4: painted()}, scale=HALF)
    findings = look(view, on="fail")
    flat = {f.channel: f for f in findings}
    assert set(flat) == set("RGB")
    assert clipped(findings) == {}
    assert {f.severity for f in findings} == {"note"}
    found = flat["R"]
    assert "is flat at 0.5, +1.47 stops from grey" in found.what
    assert "drawn, rendered or denoised" in found.what
    assert "ceiling or code" in found.remedy
    radius = 0.6 * 70
    assert found.frame == 4
    assert found.numbers["ceiling"] == "flat"
    assert found.numbers["flat_share"] == pytest.approx(np.pi * radius**2 / (240 * 320), rel=0.05)
    assert found.numbers["frames"] == "4"
    assert ceilings(view, ClippingParams()) == (None, None, None)


def test_the_same_with_noise_or_told_where_the_camera_clips_is_clipped():
    noisy = clipped(look(FakeView({4: painted(noise=0.01)}, scale=HALF)))
    assert noisy["R"].numbers["ceiling"] == "plateau"
    told = clipped(look(FakeView({4: painted()}, scale=HALF), code=0.5))
    assert told["R"].severity == "warn"
    assert told["R"].numbers["ceiling"] == "stated"


def test_where_values_are_too_coarse_for_noise_a_plateau_is_clipped():
    """In ten bits of a log curve the noise of a bright light falls between two codes."""
    codes = np.rint(to_log(np.maximum(painted(), 1e-3)) * 1023).astype(np.float32) / 1023
    found = clipped(look(FakeView({1: codes}, scale=log_scale(10))))
    assert found["R"].numbers["ceiling"] == "plateau"


# Headroom, speculars, frames.


def test_headroom_is_unknown_when_nothing_clips():
    """The end of the encoding is no ceiling: a sensor may clip far below it."""
    codes = to_log(glow(6.32, noise=0.0)).astype(np.float32)
    scale = Scale(1.0, 1 / 1023, True, lambda v: np.asarray(v) * 17.5 - 10.0)
    (found,) = look(FakeView({1: np.rint(codes * 1023).astype(np.float32) / 1023}, scale=scale))
    assert found.severity == "note"
    assert found.numbers["known"] is False
    assert "headroom" not in found.numbers
    assert "ceiling not seen, headroom unknown" in found.what
    assert found.numbers["encoding_end_stops"] == pytest.approx(7.5, abs=0.01)


def test_headroom_to_a_stated_ceiling():
    (found,) = look(FakeView({1: glow(4.12, noise=0.0)}), ceiling=6.0)
    assert found.numbers["headroom"] == pytest.approx(2.0, abs=0.1)
    assert found.numbers["known"] is True


@pytest.mark.parametrize("scale", [LINEAR, HALF])
def test_the_largest_float_is_no_ceiling(scale):
    (found,) = look(FakeView({1: glow(4.0)}, scale=scale))
    assert "headroom unknown" in found.what
    assert found.numbers["known"] is False
    assert {"headroom", "encoding_end_stops"}.isdisjoint(found.numbers)


def test_a_small_share_is_a_note_a_large_one_a_warning():
    light = glow(3.0)
    light[20:24, 20:24] = GREY * 2.0**6  # 0.08 %
    assert {f.severity for f in clipped(look(FakeView({1: light}, scale=HALF))).values()} == {
        "note"
    }
    light[20:26, 20:26] = GREY * 2.0**6  # 0.19 %
    assert {f.severity for f in clipped(look(FakeView({1: light}, scale=HALF))).values()} == {
        "warn"
    }


def test_speculars_are_told_apart_from_areas():
    light = glow(3.0)
    dice = np.random.default_rng(9)
    places = dice.choice(100 * 140, 40, replace=False)
    light[places // 140, places % 140] = GREY * 2.0**6
    view = FakeView({1: light}, scale=HALF)
    found = clipped(look(view, speculars=6.0, on="fail"))
    assert {f.severity for f in found.values()} == {"note"}
    assert found["G"].numbers["specular_pixels"] == 40
    assert found["G"].numbers["area_pixels"] == 0
    light[105:115, 20:30] = GREY * 2.0**6
    found = clipped(look(view, speculars=6.0, on="fail"))
    assert {f.severity for f in found.values()} == {"fail"}
    assert found["G"].numbers["largest_box"] == (20, 105, 10, 10)
    assert {f.severity for f in clipped(look(view, speculars=0.1)).values()} == {"note"}


def test_frames_are_sampled_and_the_worst_one_named():
    cut = GREY * 2.0**6
    frames = {n: np.minimum(glow(4.0 + 0.25 * n, seed=n), cut) for n in range(20)}
    numbers = clipped(look(FakeView(frames, scale=HALF), frames=5))["G"].numbers
    assert numbers["frames"] == "10,14,19"
    assert max(numbers["shares"], key=numbers["shares"].get) == "19"


def test_the_mask_for_pictures():
    ceiling = Ceiling("plateau", 2.0, 1.9, 3.5)
    recorded = np.array([[[1.89, 1.9, 2.1], [2.0, 0.0, 9.0]]], np.float32)
    mask = clip_mask(recorded, (ceiling, ceiling, None))
    assert mask.tolist() == [[[False, True, False], [True, False, False]]]


def test_the_ceilings_for_pictures():
    light = np.minimum(glow(8.0), GREY * 2.0**6)
    found = ceilings(FakeView({1: light}, scale=HALF), ClippingParams())
    assert [one.kind for one in found] == ["plateau"] * 3
    assert clip_mask(light, found).mean() == pytest.approx(np.pi * 16.7**2 / 19200, rel=0.1)


@pytest.mark.parametrize(
    "wrong", [{"on": "stop"}, {"ceiling": 6.0, "code": 0.9}, {"frames": 0}, {"off": True}]
)
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        ClippingParams(**wrong)


# Real images, nobody's here. What a person says who looks at them, channel by channel.

REAL = {
    "exr/StillLife.exr": "",  # merged exposures: flames 10 stops over grey, one brightest pixel
    "exr/Desk.exr": "",  # merged exposures: a window with leading, its panes textured
    "exr/CandleGlass.exr": "",  # merged exposures: a flame with its gradient
    "exr/reference-crop.exr": "",  # sun on metal, a few pixels of it, each of another value
    "exr/marci-512.exr": "",  # a portrait in the sun, hair and dress hold detail
    "dpx/marci-512.dpx": "",  # the same on a log curve
    "exr/asakusa.exr": "GB",  # 8-bit sky and snow, white at 1.0
    "dpx/10bit.dpx": "RGB",  # lamps of a pool at the top code; green in single pixels
    "exr/Garden.exr": "",
    "exr/carPark.exr": "",
    "exr/Rec709.exr": "",
    "exr/XYZ.exr": "",
    "exr/Cannon.exr": "",
    "exr/charts/BrightRings.exr": "",  # drawn: rings of 1025, not cut
    "exr/charts/GrayRampsDiagonal.exr": "",
    "exr/charts/SquaresSwirls.exr": "",
    "exr/charts/WideColorGamut.exr": "",
    "exr/charts/colorbars_rgb_exr16.exr": "",
    "exr/hdr_test.exr": "",  # drawn: patches with hard edges
    "exr/seq_beachball/singlepart.####.exr": "",  # rendered: flat colours of 0.5
    "dpx/uvMap.512x256.dpx": "",
}


def test_real_images():
    folder = plates_folder()
    said = {}
    for name in REAL:
        space = "ACEScct" if name.endswith("dpx") else "ACES2065-1"
        view = open_plates({"it": PlateAsk(plate=str(folder / name), space=space)}, None)["it"]
        findings = look(view)
        said[name] = "".join(clipped(findings))
        print(f"\n{name}: " + "\n    ".join(f"{f.severity}: {f.what}" for f in findings))
    assert said == REAL

"""Lost photon noise: blocks, the photon-transfer line, and the planes that bound light."""

from __future__ import annotations

import numpy as np
import pytest
from fakeview import LINEAR, FakeView
from truth.scenes import CARD, card, scene
from truth.sensor import MATRIX, Camera, half, linear_scale, log_codes, log_scale

from gradeprep.clips.blocks import SIDE, between_frames, within_frame
from gradeprep.clips.ceilings import clip_mask
from gradeprep.clips.clipped import Clipped
from gradeprep.clips.light import Curve
from gradeprep.clips.look import Look
from gradeprep.clips.planes import find
from gradeprep.clips.transfer import Transfer, falls, fit, least_variance

CURVE = Curve.of(linear_scale())


def frames(camera, light, count=2):
    return [half(camera.expose(light, seed)) for seed in range(count)]


def view(camera, light, count=2):
    pictures = dict(enumerate(frames(camera, light, count), start=1))
    return FakeView(pictures, scale=linear_scale())


@pytest.fixture(scope="module")
def ramp():
    """Light from four stops under grey to six and a half over it, texture, changing colours."""
    y, x = np.mgrid[:192, :320]
    tone = 0.18 * np.exp2(-4.0 + 10.5 * x / 320) * (1.0 + 0.25 * np.sin(y / 9.0))
    tint = np.stack([1.0 + 0.4 * np.sin(y / 31.0), np.ones(y.shape), 1.0 + 0.3 * np.cos(y / 23.0)])
    return tone[..., None] * np.moveaxis(tint, 0, 2)


# Blocks


@pytest.mark.parametrize("temporal", [True, False])
def test_blocks_measure_white_noise(temporal):
    dice = np.random.default_rng(1)
    spread = np.linalg.cholesky([[4.0, 1.0, 0.0], [1.0, 2.0, 0.0], [0.0, 0.0, 1.0]])
    ramp = 100.0 + np.mgrid[:240, :240][1][..., None] * np.ones(3)
    one, other = (
        (ramp + dice.standard_normal((240, 240, 3)) @ spread.T).astype(np.float32) for _ in "ab"
    )
    blocks = between_frames(one, other) if temporal else within_frame(one)
    assert len(blocks.mean) == (240 // SIDE) ** 2
    assert blocks.noise.mean(axis=0) == pytest.approx(spread @ spread.T, abs=0.12)
    assert blocks.place[0] == pytest.approx([-0.69, -0.69], abs=0.01)


def test_flicker_is_no_noise():
    one = np.random.default_rng(2).normal(1.0, 0.01, (60, 60, 3)).astype(np.float32)
    assert between_frames(one, one + np.float32(0.3)).noise.max() < 1e-8


# The line


def test_the_line_is_that_of_the_sensor(ramp):
    camera = Camera()
    line = fit(between_frames(*frames(camera, ramp)), CURVE)
    assert line.slope == pytest.approx(1.0 / camera.per_unit, rel=0.05)
    sigma = camera.read_noise / camera.per_unit
    assert line.floor == pytest.approx(sigma**2, rel=1.0, abs=1e-6)


def test_no_line_where_noise_falls_with_light(ramp):
    """A log picture taken for linear light."""
    logs = [np.log2(np.maximum(one, 0.01)) / 17.0 + 0.6 for one in frames(Camera(), ramp)]
    blocks = between_frames(*(each.astype(np.float32) for each in logs))
    assert fit(blocks, CURVE) is None
    assert falls(blocks)


def test_no_line_without_noise(ramp):
    one = ramp.astype(np.float32)
    assert fit(between_frames(one, one), CURVE) is None


@pytest.mark.parametrize("sigma", [0.2, 0.3, 0.5, 0.8])
def test_rounding_leaves_no_less_noise(sigma):
    """Monte Carlo, means all over a code; the middle of one loses most."""
    dice = np.random.default_rng(3)
    found = [np.rint(dice.normal(m, sigma, 200_000)).var() for m in np.linspace(0, 0.5, 6)]
    least = least_variance(np.array([sigma**2]), np.array([1.0]))[0]
    assert min(found) == pytest.approx(least, rel=0.05)


# Planes


@pytest.mark.parametrize(
    "processing",
    [
        {},
        {"matrix": MATRIX},
        {"spread": 0.004, "matrix": MATRIX, "debayer": "bilinear"},
        {"shading": 0.8},
        {"debayer": "edge"},
    ],
    ids=str,
)
def test_the_plane_of_green(ramp, processing):
    camera = Camera(**processing)
    blocks = between_frames(*frames(camera, ramp))
    plane = find(blocks, fit(blocks, CURVE), CURVE)[1]
    assert plane is not None
    assert plane.level == pytest.approx(camera.ceilings[1], rel=0.02)
    if camera.matrix:
        back = np.linalg.inv(np.array(camera.matrix))[1]
        assert plane.direction == pytest.approx(back / back.sum(), abs=0.04)
    assert plane.bend == pytest.approx(camera.shading * np.log(2.0), abs=0.15)


def test_a_flat_wall_with_its_noise_is_no_plane():
    light = scene("flat", np.random.default_rng(5), 4.5)
    blocks = between_frames(*frames(Camera(), light))
    assert find(blocks, fit(blocks, CURVE), CURVE) == (None, None, None)


def test_the_mask_follows_a_bent_ceiling(ramp):
    camera = Camera(shading=0.8)
    plate = view(camera, ramp)
    found = Look(plate, plate.frames, None).ceilings
    assert found[1].kind == "sensor"
    mask = clip_mask(plate.recorded(1), found)[..., 1]
    truth = camera.lost(ramp)[..., 1]
    assert np.mean(mask == truth) > 0.995
    part = clip_mask(plate.recorded(1), found, part=True)[..., 1]
    assert not (part & ~mask).any()  # of a part, what lies over the highest level only


# As meters ask


def test_a_card_is_clipped_behind_a_matrix():
    camera = Camera(matrix=MATRIX)
    light = card(np.random.default_rng(3), camera.clip + 0.25)
    assert Clipped.of(view(camera, light), 1).region(CARD).mean((0, 1)).tolist() == [0, 1, 0]


@pytest.mark.parametrize("count", [1, 2])
def test_a_whole_card_is_not(count):
    light = card(np.random.default_rng(3), 4.0)
    assert not Clipped.of(view(Camera(matrix=MATRIX), light, count), 1).region(CARD).any()


def test_a_small_or_dark_plate_has_no_line():
    tiny = FakeView({1: np.ones((8, 8, 3), np.float32)}, scale=LINEAR)
    look = Look(tiny, tiny.frames, None)
    assert look.photons.line is None
    assert look.photons.quiet(tiny.recorded(1), None) == [False] * 3


# Light


def test_codes_of_a_log_curve_become_linear_light():
    light = np.geomspace(0.01, 10.0, 300, dtype=np.float32).reshape(10, 10, 3)
    curve = Curve.of(log_scale(12))
    assert curve(log_codes(light, 12)) == pytest.approx(light, rel=3e-3)  # half a code
    assert curve.back(0.18) == pytest.approx(10.0 / 17.5, abs=1e-6)
    code = 17.5 / 4095 * np.log(2.0)
    assert curve.step(np.array([1.0]))[0] == pytest.approx(code, rel=1e-3)


def test_a_line_widens_with_the_light():
    line = Transfer(np.array([1.0, 2.0, 3.0]), np.array([0.5, 0.0, 0.0]), np.eye(3))
    found = line.covariance(np.array([[2.0, 2.0, 2.0], [0.0, -1.0, 0.0]]))
    assert np.diagonal(found[0]).tolist() == pytest.approx([2.5, 4.0, 6.0])
    assert np.diagonal(found[1]).tolist() == pytest.approx([0.5, 0.0, 0.0])

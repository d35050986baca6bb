"""The scenes: what a camera could meet, and what the truth about them says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from gradeprep.demo.chart import PATCHES
from gradeprep.demo.scenes import SHOTS, SIZE, loft, quay, shoot, slipway
from gradeprep.demo.sensor import CAMERA
from gradeprep.model.stops import gain

SMALL = (192, 108)
BY_NAME = pytest.mark.parametrize("shot", SHOTS, ids=[shot.name for shot in SHOTS])


def piece(picture, rect):
    x, y, width, height = rect
    return picture[y : y + height, x : x + width]


@pytest.mark.parametrize("size", [SIZE, SMALL, (96, 54), (854, 480)])
@pytest.mark.parametrize("painter", [slipway, loft, quay])
def test_a_scene_has_its_size_and_holds_its_targets(painter, size):
    scene = painter(size, 3)
    assert scene.picture.shape == (size[1], size[0], 3)
    assert scene.picture.dtype == np.float32
    assert np.all(piece(scene.picture, scene.card) == np.float32(0.18))
    for rect, colour in zip(scene.patches, PATCHES.values(), strict=True):
        assert np.all(piece(scene.picture, rect) == np.float32(colour))
    x, y, width, height = scene.shadow
    assert 0 <= x < x + width <= size[0]
    assert 0 <= y < y + height <= size[1]


@BY_NAME
def test_a_scene_is_light_and_nothing_else(shot):
    picture = shot.scene(1001).picture
    assert np.isfinite(picture).all()
    assert picture.min() > 0.0


@BY_NAME
def test_the_shadow_is_deep_and_has_detail(shot):
    scene = shot.scene(1001)
    tones = np.log2(piece(scene.picture, scene.shadow)[..., 1] / 0.18)
    assert -8.5 < np.percentile(tones, 5) < -5.5
    assert -7.5 < np.median(tones) < -5.0
    assert tones.std() > 0.4


@BY_NAME
def test_the_hot_exposure_clips_glints_and_lamps_only(shot):
    record = shoot(shot, 1001, stops=shot.stops, seed=1)
    clipped = (record >= np.float32(0.9999) * np.asarray(CAMERA.ceiling, np.float32)).any(axis=2)
    assert clipped.mean() < 0.005
    assert clipped.any() == (shot.name != "loft_020")


@BY_NAME
def test_frames_of_a_shot_differ_but_not_much(shot):
    first, second = (shot.scene(frame).picture for frame in (1001, 1002))
    moved = np.abs(first - second) > 1e-6
    assert 0.005 < moved.any(axis=2).mean() < 0.9
    assert second.mean() == pytest.approx(first.mean(), rel=0.05)


@BY_NAME
def test_a_scene_is_the_same_each_time_it_is_painted(shot):
    first = shot.scene(1004, SMALL).picture.copy()
    for frame in shot.frames:  # more than are remembered
        shot.scene(frame, SMALL)
    assert np.array_equal(first, shot.scene(1004, SMALL).picture)


def test_the_film_is_what_the_story_says():
    table = [(s.name, s.stops, s.drift, s.format, s.rate, s.frames) for s in SHOTS]
    assert table == [
        ("slipway_010", 3.0, 0.0, "exr", "24", range(1001, 1009)),
        ("loft_020", 2.0, 0.0, "exr", "24", range(1001, 1009)),
        ("quay_030", 1.5, -0.6, "dpx", "24", range(1001, 1009)),
    ]


def test_light_drifts_linearly_from_nothing_to_the_last_frame():
    dusk = SHOTS[2]
    light = [dusk.light(frame) for frame in dusk.frames]
    assert light[0] == 0.0
    assert light[-1] == pytest.approx(-0.6)
    assert np.allclose(np.diff(light), -0.6 / 7)
    assert dusk.pull(1008) == pytest.approx(-0.9)


@BY_NAME
@pytest.mark.parametrize("frame", [1001, 1008])
def test_the_true_pull_brings_the_grey_card_back(shot, frame):
    record = shoot(shot, frame, stops=shot.stops, seed=2)
    card = piece(record, shot.scene(frame).card).astype(np.float64)
    spread = card.std(axis=(0, 1)) / np.sqrt(card[..., 0].size)
    assert np.all(np.abs(card.mean(axis=(0, 1)) * gain(shot.pull(frame)) - 0.18) < 5 * spread)


@BY_NAME
def test_hot_and_pulled_is_quieter_in_the_shadow_than_normal(shot):
    scene = shot.scene(1001)
    truth = piece(scene.picture, scene.shadow)
    hot = shoot(shot, 1001, stops=shot.stops, seed=3) * gain(shot.pull(1001))
    normal = shoot(shot, 1001, stops=0.0, seed=3)
    noise = [float((piece(p, scene.shadow) - truth).std()) for p in (hot, normal)]
    # Between the shot limit, the root of the gain, and the read limit, the gain itself.
    assert gain(shot.stops / 2) < noise[1] / noise[0] < gain(shot.stops)


def test_noise_repeats_with_the_seed_and_with_nothing_else():
    shot = SHOTS[1]
    record = shoot(shot, 1001, SMALL, stops=2.0, seed=5)
    assert np.array_equal(record, shoot(shot, 1001, SMALL, stops=2.0, seed=5))
    assert not np.array_equal(record, shoot(shot, 1001, SMALL, stops=2.0, seed=6))


def test_noise_differs_between_shots_frames_settings_and_seeds():
    seeds = []

    class Camera:
        def expose(self, scene, *, stops, seed):
            seeds.append(seed)
            return scene

    for shot in SHOTS:
        for frame, stops, seed in ((1001, 2.0, 5), (1002, 2.0, 5), (1001, -0.6, 5), (1001, 2.0, 6)):
            shoot(shot, frame, SMALL, stops=stops, seed=seed, camera=Camera())
    assert len(set(seeds)) == 12
    assert min(min(seed) for seed in seeds) >= 0


def test_truth_and_scenes_cannot_be_changed_by_accident():
    with pytest.raises(dataclasses.FrozenInstanceError):
        SHOTS[0].stops = 0.0  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        slipway(SMALL, 0).picture[0, 0] = 1.0


@pytest.mark.parametrize("size", [(480, 480), (90, 50), (640, 270)])
def test_a_size_the_scenes_are_not_composed_for_is_refused(size):
    with pytest.raises(ValueError, match="composed for 16:9"):
        quay(size, 0)

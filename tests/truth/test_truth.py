"""A short part of ``python -m tests.truth``: one clipped and one whole plate of most kinds."""

from __future__ import annotations

import numpy as np
import pytest

from truth.clipping import LEVEL, ROWS, Score, card_score, plate_score
from truth.sensor import Camera

ROWS_TESTED = (
    "edge-aware debayer",
    "3x3 matrix",
    "site spread 0.4 %",
    "shading after the clip",
    "soft knee",
    "DWAA",
    "white wall, 10-bit log",
    "one frame, half",
)


@pytest.mark.parametrize("name", ROWS_TESTED)
def test_clipped_channels_are_found_and_whole_ones_are_not(name):
    score = Score()
    for seed in (22, 23):  # a wall that is clipped, a wall that is not
        plate_score(ROWS[name], seed, score)
        card_score(ROWS[name], seed, score)
    assert score.wrong == []
    assert score.right >= 4
    assert score.promises == 0
    assert np.abs(score.levels).max() <= LEVEL


def test_the_camera_has_the_noise_of_photons():
    """EMVA Standard 1288, linear camera model: variance = mean + read noise squared."""
    camera = Camera()
    light = np.full((256, 256, 3), 1.0)
    electrons = camera.expose(light, 1) * camera.per_unit
    mean, variance = electrons.mean((0, 1)), electrons.var((0, 1))
    assert mean == pytest.approx(camera.per_unit, rel=5e-4)
    assert variance == pytest.approx(mean + camera.read_noise**2, rel=0.02)


def test_the_camera_s_lost_light_has_none():
    camera = Camera(matrix=None, spread=0.004)
    light = np.full((96, 96, 3), camera.ceilings.max() * 1.5)
    assert camera.lost(light).all()
    frames = [camera.expose(light, seed) * camera.per_unit for seed in (1, 2)]
    assert np.subtract(*frames).std() == pytest.approx(camera.read_noise * np.sqrt(2), rel=0.02)
    assert frames[0].std() / camera.full_well == pytest.approx(0.004, rel=0.05)

"""The check of samples that are no light."""

from __future__ import annotations

import numpy as np
import pytest
from fakeview import FakeView
from pydantic import ValidationError

from gradeprep.checks.pixels import Pixels, PixelsParams
from gradeprep.checks.stuck import LEAST
from gradeprep.demo.scenes import SHOTS, shoot
from gradeprep.plugins.contracts import Check

CHECK = Pixels()


def plate(*frames: tuple[int, int]):
    """A plate of 100 samples a frame: how many are not finite, how many are negative."""
    pictures = {}
    for number, (bad, negative) in enumerate(frames, 1):
        picture = np.full((10, 10, 1), 0.18, np.float32)
        picture.flat[:negative] = -0.01
        picture.flat[100 - bad :] = np.nan
        pictures[number] = picture
    return FakeView(pictures)


def look(found, **params):
    return list(CHECK.look(found, PixelsParams(**params)))


def test_keeps_the_contract():
    assert isinstance(CHECK, Check)


def test_a_clean_plate_has_no_findings():
    assert look(plate((0, 0), (0, 5))) == []  # some negative samples are noise around black


def test_says_which_frame_and_how_many():
    nan, negative = look(plate((0, 0), (3, 6)))
    assert (nan.severity, nan.frame, nan.numbers) == ("warn", 2, {"samples": 3})
    assert nan.what == "3 samples are NaN or infinite"
    assert (negative.severity, negative.frame) == ("warn", 2)
    assert negative.what == "6.0% of the samples are negative"
    assert negative.numbers == {"share": pytest.approx(0.06)}


@pytest.mark.parametrize("on", ["fail", "warn", "note"])
def test_its_severity_is_the_recipes(on):
    assert {finding.severity for finding in look(plate((1, 100)), on=on)} == {on}


@pytest.mark.parametrize(("limit", "findings"), [(0.0, 1), (0.09, 1), (0.1, 0), (1.0, 0)])
def test_how_much_is_noise_may_be_said(limit, findings):
    assert len(look(plate((0, 10)), max_negative=limit)) == findings


@pytest.mark.parametrize(
    "wrong", [{"on": "stop"}, {"max_negative": 1.5}, {"off": True}, {"frames": -1}]
)
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        PixelsParams(**wrong)


# Stuck pixels: seeded pictures; nothing is drawn from a source but the definition in the module.

STUCK = ((20, 30, 0), (41, 7, 1), (60, 60, 2))


def moving(count=8, *, noise=0.02, shift=7, seed=3):
    """Frames of a texture that slides by, with noise; 80 x 96 pixels."""
    dice = np.random.default_rng(seed)
    rows = dice.uniform(0.05, 1.0, (5, 40, 3)).repeat(16, 0).repeat(8, 1).astype(np.float32)
    pictures = {}
    for number in range(count):
        picture = rows[:, number * shift : number * shift + 96].copy()
        picture *= dice.normal(1.0, noise, picture.shape).astype(np.float32)
        pictures[1001 + number] = picture
    return pictures


def with_stuck(pictures, value):
    for picture in pictures.values():
        for place in STUCK:
            picture[place] = value(picture[place])
    return pictures


def test_a_moving_picture_has_no_stuck_pixels():
    assert look(FakeView(moving())) == []


def test_finds_pixels_that_keep_their_value():
    (found,) = look(FakeView(with_stuck(moving(), lambda _: 0.4)))
    assert found.numbers["places"] == [[30, 20, "R"], [7, 41, "G"], [60, 60, "B"]]
    assert (found.numbers["pixels"], found.numbers["frames"]) == (3, "1001-1008")
    assert found.what == "3 pixels are stuck: 30,20 R, 7,41 G, 60,60 B"


def test_finds_hot_pixels_that_flicker():
    dice = np.random.default_rng(5)
    (found,) = look(FakeView(with_stuck(moving(), lambda _: 4.0 + dice.uniform(0.0, 0.5))))
    assert found.numbers["samples"] == 3


@pytest.mark.parametrize("value", [lambda _: 0.4, lambda _: 4.0])
def test_a_still_picture_tells_nothing(value):
    rendered = dict.fromkeys(range(8), moving(1, noise=0.0)[1001])
    noisy = moving(shift=0)
    assert look(FakeView(with_stuck(rendered, value))) == []
    assert look(FakeView(with_stuck(noisy, value))) == []
    assert look(FakeView(dict.fromkeys(range(8), np.full((64, 64, 3), 0.18, np.float32)))) == []


def test_a_drift_of_exposure_is_no_movement():
    still = moving(shift=0)
    drifting = {n: picture * np.float32(1.1 ** (n - 1001)) for n, picture in still.items()}
    assert look(FakeView(with_stuck(drifting, lambda value: value * 0.0 + 9.0))) == []


def test_an_area_that_keeps_its_value_is_no_stuck_pixel():
    pictures = moving()
    for picture in pictures.values():
        picture[40:50, 40:50] = 0.5  # a clip, or a caption
    assert look(FakeView(pictures)) == []
    (found,) = look(FakeView(with_stuck(pictures, lambda _: 0.4)))
    assert found.numbers["pixels"] == 3


def test_a_drawn_picture_of_few_values_has_no_stuck_pixels():
    """A checkerboard that flips: a pixel at the seam keeps its grey among pixels that do not."""
    board = (np.indices((64, 64)).sum(axis=0) // 20 % 2).astype(np.float32)[..., None]
    frames = {n: np.repeat(0.2 + 0.5 * abs(board - n % 2), 3, 2) for n in range(8)}
    assert look(FakeView(with_stuck(frames, lambda _: 0.4))) == []


def glinting(top):
    """The texture under glints that come and go beside one that is there in every frame."""
    pictures = moving()
    for number, picture in enumerate(pictures.values()):
        picture[20, 30] = 9.0
        picture[19 + number % 2, 29 if number % 3 else 31] = 8.0 if number < 4 else 9.0
    pictures[1001][40, 60] = top  # seen once
    return FakeView(pictures)


def test_glints_that_clip_together_are_not_stuck():
    assert look(glinting(top=9.0)) == []
    (found,) = look(glinting(top=10.0))  # then 9 is where nothing clips
    assert found.numbers["places"][:3] == [[30, 20, "R"], [30, 20, "G"], [30, 20, "B"]]


def noise_of_few_steps(count):
    """Darkness at the foot of a brightening scene: its noise has some ten steps."""
    dice = np.random.default_rng(11)
    base = np.linspace(1.0, 1.3, count)
    steps = {n: np.rint(dice.normal(30.0 * base[n], 3.0, (96, 192, 3))) for n in range(count)}
    for picture in steps.values():
        picture[:48] = 60.0
    return {n: (picture * 1e-3).astype(np.float32) for n, picture in steps.items()}


def test_noise_that_meets_its_value_again_is_not_stuck():
    assert look(FakeView(noise_of_few_steps(5))) == []
    (found,) = look(FakeView(with_stuck(noise_of_few_steps(8), lambda _: 0.031)))
    assert found.numbers["places"] == [[60, 60, "B"]]


@pytest.mark.parametrize("shot", SHOTS, ids=lambda shot: shot.name)
@pytest.mark.parametrize("count", [5, 8])
def test_the_film_of_the_demo_has_no_stuck_pixels(shot, count):
    frames = {n: shoot(shot, n, stops=shot.stops, seed=0) for n in shot.frames[:count]}
    assert look(FakeView(frames)) == []


def test_few_frames_tell_nothing():
    assert look(FakeView(with_stuck(moving(LEAST - 1), lambda _: 0.4))) == []
    assert look(FakeView(with_stuck(moving(), lambda _: 0.4)), frames=LEAST - 1) == []
    assert look(FakeView(with_stuck(moving(LEAST), lambda _: 0.4)))


def test_frames_of_different_size_are_not_compared():
    pictures = with_stuck(moving(), lambda _: 0.4)
    pictures[1004] = pictures[1004][:-1]
    assert look(FakeView(pictures)) == []

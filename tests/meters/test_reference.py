"""The reference meter: two shots of one scene by a simulated sensor, their exposures known."""

from __future__ import annotations

import numpy as np
import pytest
from fakeview import FakeView
from pydantic import ValidationError

from gradeprep.demo.scenes import SHOTS, shoot
from gradeprep.demo.sensor import Sensor
from gradeprep.meters.reference import Reference, ReferenceParams
from gradeprep.meters.robust import tile_error

SIZE = (192, 108)
BY_SHOT = pytest.mark.parametrize("shot", SHOTS, ids=[shot.name for shot in SHOTS])
SLIPWAY, LOFT, QUAY = SHOTS


def take(shot, *, stops: float, seed: int, frame: int | None = None, size=SIZE) -> np.ndarray:
    return shoot(shot, frame or shot.first, size, stops=stops, seed=seed)


def read(here, there, *, pulled=0.0, **params):
    """Stops from one picture, or plate of several frames, to another."""
    plates = [side if isinstance(side, dict) else {1: side} for side in (here, there)]
    other = FakeView(plates[1], shot="first", stops=pulled)
    plate = FakeView(plates[0], others={"first": other})
    return Reference().read(plate, ReferenceParams(shot="first", **params))


def complaint(here, there, **params) -> str:
    with pytest.raises(ValueError) as caught:
        read(here, there, **params)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def honest(readings, truth: float) -> None:
    """Within 0.02 stop, and within 3 sigma in at least 99 of 100."""
    errors = np.asarray([reading.stops - truth for reading in readings])
    sigmas = np.asarray([reading.sigma for reading in readings])
    assert np.abs(errors).max() < 0.02
    assert np.count_nonzero(np.abs(errors) > 3.0 * sigmas) <= len(errors) // 100


@BY_SHOT
def test_a_surface_within_two_hundredths_and_three_sigma(shot):
    """The grey card, a pixel's signal-to-noise ratio over 20, in both shots."""
    x, y, width, height = shot.scene(shot.first, SIZE).card
    region = (x + 1, y + 1, width - 2, height - 2)
    scene = shot.scene(shot.first, SIZE).picture[: y + height + 1, : x + width + 1]
    camera = Sensor(base=20_000.0, full_well=400_000.0)
    readings = []
    for seed in range(100):
        here = camera.expose(scene, stops=shot.stops, seed=seed)
        there = camera.expose(scene, stops=0.5, seed=1000 + seed)
        readings.append(read(here, there, pulled=-0.5, region=region))
    honest(readings, -shot.stops)


@BY_SHOT
def test_the_whole_frame_within_two_hundredths_and_three_sigma(shot):
    """A hundred noises; shadows down to the noise are in both pictures."""
    scene = shot.scene(shot.first, (96, 54)).picture
    camera = Sensor(base=20_000.0, full_well=240_000.0)
    readings = []
    for seed in range(100):
        here = camera.expose(scene, stops=shot.stops, seed=seed)
        there = camera.expose(scene, stops=0.0, seed=1000 + seed)
        readings.append(read(here, there, pulled=-0.25, mode="frame"))
    honest(readings, -shot.stops - 0.25)


@BY_SHOT
def test_the_same_framing_read_by_its_tones(shot):
    """Clipped highlights and lost shadows in one of the two only."""
    reading = read(
        take(shot, stops=shot.stops, seed=1), take(shot, stops=0.0, seed=2), mode="tones"
    )
    assert reading.stops == pytest.approx(-shot.stops, abs=0.1)
    assert abs(reading.stops + shot.stops) < reading.sigma
    assert "supposes that both pictures hold the same mix of tones" in reading.warnings[0]


REFUSED = {(LOFT, (84, 46)), (QUAY, (84, 46))}


@BY_SHOT
@pytest.mark.parametrize("window", [(0, 0), (84, 0), (0, 46), (84, 46), (42, 23)])
def test_where_the_framing_moved_the_tones_are_honest(shot, window):
    """The reference sees 60 % of the picture: within 3 sigma, or refused."""
    x, y = window
    here = take(shot, stops=shot.stops, seed=1, size=(384, 216))
    there = take(shot, stops=0.0, seed=2, size=(384, 216))[y : y + 170, x : x + 300]
    if (shot, window) in REFUSED:
        assert "no shift lays their tones over each other" in complaint(here, there, mode="tones")
        return
    reading = read(here, there, mode="tones")
    assert abs(reading.stops + shot.stops) < 3.0 * reading.sigma
    assert reading.sigma > 0.1
    assert reading.weak == (reading.sigma > 1 / 3)


def test_tones_are_read_at_all():
    here = take(SLIPWAY, stops=3.0, seed=1, size=(384, 216))
    there = take(SLIPWAY, stops=0.0, seed=2, size=(384, 216))[:170, :300]
    assert read(here, there, mode="tones").stops == pytest.approx(-3.0, abs=0.2)


@pytest.mark.parametrize("mode", ["frame", "tones"])
def test_two_plates_with_nothing_in_common(mode):
    told = complaint(take(SLIPWAY, stops=3.0, seed=1), take(LOFT, stops=0.0, seed=2), mode=mode)
    assert told.startswith("the two pictures have too little in common: ")
    assert "stops" in told


def test_two_dull_pictures_with_nothing_in_common():
    """Their ratio spreads little, as each has little contrast; but their tones do not go along."""
    rng = np.random.default_rng(1)
    here, there = (
        np.kron(0.18 * 2.0 ** rng.normal(0.0, 0.3, (16, 16, 1)), np.ones((4, 4, 3))) for _ in "ab"
    )
    told = complaint(here, there, mode="frame")
    assert "their ratio spreads by 0.34 stops" in told
    assert "(at least 0.5)" in told


def test_errors_that_a_tile_shares_are_not_averaged_away():
    rng = np.random.default_rng(1)
    tiles = np.repeat(np.arange(16), 50)
    means, sigmas = [], []
    for _ in range(200):
        values = np.repeat(rng.normal(0.0, 1.0, 16), 50) + rng.normal(0.0, 1.0, 800)
        weights = np.full(800, 0.5)
        means.append(values.mean())
        sigmas.append(tile_error(values, weights, tiles, values.mean()))
    assert np.median(sigmas) == pytest.approx(np.std(means), rel=0.15)


def test_nothing_is_lit_in_both():
    dark = np.full((64, 64, 3), 0.0, np.float32)
    told = complaint(take(SLIPWAY, stops=3.0, seed=1)[:64, :64], dark, mode="frame")
    assert told.startswith("only 0 of 256 blocks are lit and not clipped in both pictures")
    told = complaint(take(SLIPWAY, stops=3.0, seed=1)[:64, :64], dark, mode="tones")
    assert told.startswith("only 0% of the tones are lit and not clipped in both pictures")


def test_what_moved_through_the_picture_moves_little():
    """A dark figure over a fifth of the frame."""
    here, there = take(SLIPWAY, stops=3.0, seed=1), take(SLIPWAY, stops=0.0, seed=2)
    there[20:, 60:98] = 0.01
    reading = read(here, there, mode="frame")
    assert reading.stops == pytest.approx(-3.0, abs=0.05)
    assert abs(reading.stops + 3.0) < 3.0 * reading.sigma
    apart = read(here, there, mode="frame", region=(100, 0, 92, 108))
    assert apart.stops == pytest.approx(-3.0, abs=0.02)


def test_clipped_highlights_are_left_out():
    scene = SLIPWAY.scene(SLIPWAY.first, SIZE).picture
    low = Sensor(base=20_000.0, full_well=20_000.0)  # clips at 1.0 in green
    here, there = low.expose(scene, stops=2.0, seed=1), low.expose(scene, stops=0.0, seed=2)
    reading = read(here, there, mode="frame")
    (evidence,) = reading.evidence["frames"]
    assert evidence["clipped"] > 0.3 * evidence["blocks"]
    assert reading.stops == pytest.approx(-2.0, abs=0.02)
    assert reading.warnings == ()


def test_the_balance_matches_colour_and_leaves_exposure():
    cast = np.asarray([1.2, 1.0, 0.7], np.float32)
    here, there = take(QUAY, stops=1.5, seed=1) * cast, take(QUAY, stops=0.0, seed=2)
    reading = read(here, there, mode="frame")
    relative = np.asarray(reading.balance) - reading.balance[1]
    np.testing.assert_allclose(relative, -np.log2(cast), atol=0.02)


def test_a_ratio_that_runs_with_tone_is_told():
    here = take(QUAY, stops=1.5, seed=1)
    there = np.sign(here) * np.abs(here) ** 1.3
    reading = read(here, there, mode="frame")
    assert "from one stop of tone to the next: a wrong input colour space" in reading.warnings[0]
    assert reading.evidence["frames"][0]["tilt"] == pytest.approx(0.3 / 1.15, abs=0.02)
    assert reading.sigma > 0.2


def test_frames_pair_up_over_the_shot_and_the_pull_of_each_counts():
    """The quay's light falls by 0.6 stop; the reference's keys follow it, this shot's do not."""
    frames = [QUAY.first, QUAY.first + 3, QUAY.first + 7]
    here = {n: take(QUAY, stops=1.5, seed=1, frame=n) for n in frames}
    there = {n: take(QUAY, stops=0.0, seed=2, frame=n) for n in frames}
    pulled = {n: -QUAY.light(n) for n in frames}
    reading = read(here, there, pulled=pulled, mode="frame")
    pairs = [(f["frame"], f["reference_frame"]) for f in reading.evidence["frames"]]
    assert pairs == list(zip(frames, frames, strict=True))
    assert reading.stops == pytest.approx(-1.5 - np.mean([QUAY.light(n) for n in frames]), abs=0.02)
    assert reading.warnings[-1].startswith("the exposure changes over the shot by 0.6")
    one = read(here, there, pulled=pulled, mode="frame", frame=frames[2], reference_frame=frames[0])
    assert one.stops == pytest.approx(-1.5 + 0.6, abs=0.1)


def test_a_reference_that_drifts_is_told_too():
    x, y, width, height = QUAY.scene(QUAY.first, SIZE).card
    there = {n: take(QUAY, stops=0.0, seed=2, frame=n) for n in QUAY.frames}
    reading = read(take(QUAY, stops=1.5, seed=1), there, region=(x, y, width, height))
    (warning,) = reading.warnings
    assert warning.startswith("first: the exposure changes over the shot by 0.6")
    assert len(reading.evidence["reference"]["frames"]) == 5


def test_another_size_is_another_framing():
    here = take(SLIPWAY, stops=3.0, seed=1)
    assert complaint(here, here[:, :180], mode="frame") == (
        "the pictures are 192 x 108 and 180 x 108; their framing is not the same: use mode: tones"
    )


@pytest.mark.parametrize("mode", ["region", "frame", "tones"])
def test_refuses_a_region_outside_the_window_or_of_three_pixels(mode):
    here = take(SLIPWAY, stops=3.0, seed=1)
    told = complaint(here, here, mode=mode, region=(190, 0, 16, 16))
    assert told == "region [190, 0, 16, 16] reaches out of the picture, which is 192 x 108"
    told = complaint(here, here, mode=mode, region=(8, 8, 3, 1))
    assert "pixels is too small; give at least 16" in told


def test_a_region_must_be_named_or_another_mode():
    with pytest.raises(ValidationError, match="name the surface with region, or say mode: frame"):
        ReferenceParams(shot="first")
    with pytest.raises(ValidationError):
        ReferenceParams(shot="first", mode="picture")

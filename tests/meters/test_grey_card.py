"""The grey-card meter on plates of a simulated sensor, whose exposure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fakeview import FakeView

from gradeprep.demo.sensor import CAMERA, Sensor
from gradeprep.meters.grey_card import GreyCard, GreyCardParams
from gradeprep.meters.patches import _undithered
from gradeprep.plugins.contracts import Scale

CARD = (6, 6, 16, 16)
HOT = 1.3


def scene(card: float = 0.18) -> np.ndarray:
    """A card between a dark wall and a white one."""
    picture = np.full((24, 24, 3), card, np.float32)
    picture[:, :4] = 0.03
    picture[:4] = 0.9
    return picture


def shot(*, seed: int = 1, stops: float = HOT, camera: Sensor = CAMERA, card: float = 0.18):
    return camera.expose(scene(card), stops=stops, seed=seed)


def read(plate: FakeView, region=CARD, **params):
    return GreyCard().read(plate, GreyCardParams(region=region, **params))


def complaint(plate: FakeView, region=CARD, **params) -> str:
    with pytest.raises(ValueError) as caught:
        read(plate, region, **params)
    assert "\n" not in str(caught.value)
    return str(caught.value)


LOG_SLOPE, LOG_BLACK = 17.0, -12.0


def log_plate(picture: np.ndarray) -> FakeView:
    """The picture in 10-bit codes on a pure log curve of 17 stops."""

    def encode(light):
        share = (np.log2(np.maximum(light, 1e-6)) - LOG_BLACK) / LOG_SLOPE
        return np.rint(np.clip(share, 0.0, 1.0) * 1023) / 1023

    def decode(codes):
        return np.asarray(codes, np.float64) * LOG_SLOPE + LOG_BLACK

    scale = Scale(1.0, 1 / 1023, True, lambda codes: decode(codes) - math.log2(0.18))
    decoded = (2.0 ** decode(encode(picture))).astype(np.float32)
    return FakeView({1: decoded}, scale=scale, encode=encode)


@pytest.mark.parametrize("coded", [False, True], ids=["float", "10-bit log"])
@pytest.mark.parametrize("base", [1_000.0, 4_000.0, 20_000.0])
def test_within_two_hundredths_of_the_truth_and_within_three_sigma(base, coded):
    """100 seeds; EMVA Standard 1288 noise, a pixel's signal-to-noise ratio of 16 and more."""
    camera = Sensor(base=base, full_well=200_000.0)
    errors, sigmas = [], []
    for seed in range(100):
        picture = shot(seed=seed, camera=camera)
        reading = read(log_plate(picture) if coded else FakeView({1: picture}))
        errors.append(reading.stops + HOT)
        sigmas.append(reading.sigma)
    assert np.abs(errors).max() < 0.02
    assert np.count_nonzero(np.abs(errors) > 3.0 * np.asarray(sigmas)) <= 1
    assert 0.7 < np.std(errors) / np.median(sigmas) < 1.1  # honest both ways


def test_where_noise_is_under_a_code_the_step_is_the_uncertainty():
    """Uniform distribution: step / sqrt(12), however many pixels there are."""
    step = LOG_SLOPE / 1023
    reading = read(log_plate(scene()), region=(5, 5, 18, 18))
    assert reading.sigma == pytest.approx(step / math.sqrt(12.0), rel=1e-3)
    assert abs(reading.stops) < step


def test_noise_that_neighbours_share_is_not_averaged_away():
    rng = np.random.default_rng(2)
    errors, sigmas = [], []
    for _ in range(100):
        dots = rng.normal(0.0, 0.1, (82, 82))
        blurred = sum(dots[y : y + 80, x : x + 80] for y in range(3) for x in range(3)) / 9.0
        picture = np.repeat(0.18 * (1.0 + blurred[..., None]), 3, axis=2).astype(np.float32)
        reading = read(FakeView({1: picture}), region=(0, 0, 80, 80))
        errors.append(reading.stops)
        sigmas.append(reading.sigma)
    alone = 0.1 / 3.0 / math.log(2.0) / 80.0
    assert np.median(sigmas) > 2.0 * alone
    assert np.count_nonzero(np.abs(errors) > 3.0 * np.asarray(sigmas)) <= 2


def test_the_cards_tolerance_is_told_beside_sigma():
    """1 % absolute at 18 %: +0.0780 and -0.0825 stop (log2; a common card's leaflet)."""
    plate = FakeView({1: shot()})
    reading = read(plate)
    assert reading.evidence["tolerance_stops"] == pytest.approx([-0.0825, 0.0780], abs=1e-4)
    assert read(plate, tolerance=0.0).sigma == reading.sigma
    assert read(plate, tolerance=0.5).evidence["tolerance_stops"][0] is None


def test_specks_are_left_out_and_counted():
    picture = shot()
    clean = read(FakeView({1: picture.copy()}))
    picture[8, 8] = 40.0
    picture[12, 9:12] = 0.0
    reading = read(FakeView({1: picture}))
    assert reading.stops == pytest.approx(clean.stops, abs=2e-3)
    (frame,) = reading.evidence["frames"]
    assert frame["rejected"] >= 4
    assert frame["pixels"] == 256


def test_the_balance_takes_a_cast_out():
    cast = np.asarray([1.25, 1.0, 0.8], np.float32)
    reading = read(FakeView({1: shot() * cast}))
    expected = np.log2(np.dot(cast, (0.2722287168, 0.6740817658, 0.0536895174)) / cast)
    np.testing.assert_allclose(reading.balance, expected, atol=0.01)


def test_several_frames_are_one_reading():
    plate = FakeView({n: shot(seed=n) for n in range(1, 11)})
    reading = read(plate)
    frames = [frame["frame"] for frame in reading.evidence["frames"]]
    assert frames == list(plate.sample(5))
    assert len(frames) == 5
    one = read(plate, frame=1)
    assert one.evidence["frames"][0]["frame"] == 1
    assert reading.sigma == pytest.approx(one.sigma / math.sqrt(5.0), rel=0.2)
    assert reading.warnings == ()


def test_an_exposure_that_drifts_is_told_and_widens_sigma():
    plate = FakeView({n: shot(seed=n, stops=HOT + 0.1 * n) for n in range(5)})
    reading = read(plate)
    assert reading.warnings == (
        "the exposure changes over the shot by 0.40 stops (frames 0 and 4); use --per-frame, or "
        "give the pull keys",
    )
    assert reading.stops == pytest.approx(-HOT - 0.2, abs=0.01)
    assert reading.sigma == pytest.approx(np.std(0.1 * np.arange(5), ddof=1), rel=0.05)
    assert read(plate, frame=3).warnings == ()


def test_a_drift_too_small_for_a_word_widens_sigma_all_the_same():
    plate = FakeView({n: shot(seed=n, stops=HOT + 0.015 * n) for n in range(2)})
    still = FakeView({n: shot(seed=n) for n in range(2)})
    assert read(plate).warnings == ()
    assert read(plate).sigma > 3.0 * read(still).sigma


def test_the_frame_that_cannot_be_read_is_named():
    plate = FakeView({1: shot(), 2: np.zeros((24, 24, 3), np.float32)})
    assert complaint(plate) == (
        "frame 2: the region's luminance is 0; it holds no light to read; or name the frame to "
        "read with 'frame'"
    )
    assert complaint(plate, frame=7) == "shot here has no frame 7; it has 1-2"


def test_refuses_a_region_outside_the_window_or_of_three_pixels():
    plate = FakeView({1: shot()})
    assert complaint(plate, (20, 20, 8, 8)) == (
        "region [20, 20, 8, 8] reaches out of the picture, which is 24 x 24"
    )
    assert complaint(plate, (8, 8, 3, 1)) == ("a region of 3 pixels is too small; give at least 16")


def test_refuses_a_card_that_a_channel_clips():
    """Green clips first: white balance gains lift the others' ceilings."""
    over = math.log2(CAMERA.ceiling[1] / 0.18)
    told = complaint(FakeView({1: shot(stops=over + 0.2)}))
    assert told.startswith("the region is clipped: 100% of green; read a darker surface")
    half = complaint(FakeView({1: shot(stops=over, camera=CAMERA)}))
    assert "% of green" in half
    assert read(FakeView({1: shot(stops=over - 0.2)})).stops == pytest.approx(0.2 - over, abs=0.01)


def test_refuses_a_card_at_the_encodings_end():
    coded = log_plate(scene(card=40.0))
    told = complaint(coded)
    assert told.startswith("the region is clipped: 100% of red, 100% of green, 100% of blue")


def test_a_rendered_picture_without_noise_is_not_taken_for_clipped():
    picture = scene(card=2.0)
    assert read(FakeView({1: picture})).stops == pytest.approx(math.log2(0.18 / 2.0), abs=1e-6)


def test_the_brightest_codes_of_a_picture_are_not_taken_for_clipped():
    """Ten bits put many samples of a card on one code, the largest of the frame among them."""
    picture = CAMERA.expose(np.full((64, 64, 3), 0.18, np.float32), stops=HOT, seed=4)
    plate = log_plate(np.minimum(picture, np.quantile(picture, 0.98)))
    assert np.count_nonzero(plate.recorded(1) == plate.recorded(1).max()) > 100
    assert read(plate, (0, 0, 64, 64)).stops == pytest.approx(-HOT, abs=0.01)


def test_refuses_a_card_lost_in_noise():
    dim = Sensor(base=25.0)
    told = complaint(FakeView({1: shot(camera=dim, stops=0.0)}))
    assert told.startswith("the region is too dark: the signal-to-noise ratio of a pixel is ")
    assert "under 3;" in told
    assert read(FakeView({1: shot(camera=dim, stops=0.0)}), min_snr=1.0).sigma > 0.03


def test_refuses_an_edge_a_gradient_and_a_mark():
    plate = FakeView({1: shot()})
    assert "its quarters differ by" in complaint(plate, (0, 6, 12, 12))
    slope = shot() * 2.0 ** np.linspace(0.0, 1.0, 24, dtype=np.float32)[None, :, None]
    assert "its quarters differ by" in complaint(FakeView({1: slope}))
    marked = shot()
    marked[12:16, 6:22] = 0.01
    assert "25% of its pixels stand apart from the rest" in complaint(FakeView({1: marked}))
    striped = shot()
    striped[:, 10:18] *= 0.5  # the same in all four quarters
    assert "its tones spread by" in complaint(FakeView({1: striped}))


@pytest.mark.parametrize("steps", [0.1, 0.2, 0.3, 0.4])
def test_what_noise_leaves_of_a_code_step(steps):
    """By the error function: the mean of rounded normal noise, over a step, at its first harmonic.

    Without noise that harmonic of the rounding error, a sawtooth, is 1 / pi.
    """
    at = (np.arange(400) + 0.5) / 400
    codes = np.arange(-6, 8)
    below = [[math.erf((k - 0.5 - x) / (steps * math.sqrt(2.0))) for k in codes] for x in at]
    rounded = codes[0] + 0.5 * (1.0 - np.asarray(below)[:, 1:]).sum(axis=1)
    harmonic = 2.0 * abs(np.mean((rounded - at) * np.exp(-2j * np.pi * at)))
    noise = np.array([-steps, steps])[:, None] * np.ones(3)  # this standard deviation
    left = _undithered(noise, Scale(ceiling=None, step=1.0, log=False, tone=lambda code: code))
    assert left == pytest.approx(math.pi * harmonic, abs=2e-4)

"""The chart meter: a chart painted in perspective, shot by a simulated sensor."""

from __future__ import annotations

import importlib.util
import math
import sys

import numpy as np
import pytest
from fakeview import FakeView
from pydantic import ValidationError

from gradeprep.demo.chart import PATCHES, place
from gradeprep.demo.scenes import SHOTS, shoot
from gradeprep.demo.sensor import Sensor
from gradeprep.meters.chart import Chart, ChartParams
from gradeprep.meters.grid import COLUMNS, ROWS, Grid, in_pixels, shrunk
from gradeprep.meters.neutrals import NAMES, REFLECTANCES
from gradeprep.plugins.contracts import Meter

HOT = 1.3
CAMERA = Sensor(base=20_000.0, full_well=400_000.0)


def flat_chart() -> tuple[np.ndarray, tuple]:
    """A chart that faces the camera, and its corners."""
    picture = np.full((72, 160, 3), 0.05, np.float32)
    patches = place(picture, corner=(1, 1), patch=12).patches
    (x, y, _, _), (right, bottom, width, height) = patches[0], patches[-1]
    right, bottom = right + width, bottom + height
    return picture, ((x, y), (right, y), (right, bottom), (x, bottom))


def tilted_chart(corners) -> np.ndarray:
    """A chart in perspective: each pixel of the picture looks up its patch."""
    picture = np.full((120, 160, 3), 0.02, np.float32)
    y, x = np.mgrid[:120, :160] + 0.5
    back = np.linalg.inv(Grid.of(corners).to_picture) @ [x.ravel(), y.ravel(), np.ones(x.size)]
    u, v = back[:2] / back[2]
    inside = (u >= 0) & (u < 1) & (v >= 0) & (v < 1)
    index = (v * ROWS).astype(int) * COLUMNS + (u * COLUMNS).astype(int)
    colours = np.asarray(list(PATCHES.values()), np.float32)
    picture[inside.reshape(x.shape)] = colours[index[inside]]
    return picture


PICTURE, CORNERS = flat_chart()


def expose(picture=PICTURE, *, seed=1, stops=HOT, camera=CAMERA):
    return camera.expose(picture, stops=stops, seed=seed)


def read(picture, corners=CORNERS, **params):
    given = ChartParams(corners=corners, **{"batch": "iso17321", **params})
    return Chart().read(FakeView({1: picture}), given)


def complaint(picture, corners=CORNERS, **params) -> str:
    with pytest.raises(ValueError) as caught:
        read(picture, corners, **params)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def residuals(reading) -> dict[str, float]:
    return reading.evidence["frames"][0]["residual_stops"]


def test_it_keeps_the_contract():
    assert isinstance(Chart(), Meter)


@pytest.mark.parametrize("base", [10_000.0, 60_000.0])
def test_within_two_hundredths_of_the_truth_and_within_three_sigma(base):
    camera = Sensor(base=base, full_well=1e6)
    readings = [read(expose(seed=seed, camera=camera)) for seed in range(100)]
    errors = np.asarray([reading.stops + HOT for reading in readings])
    sigmas = np.asarray([reading.sigma for reading in readings])
    assert np.abs(errors).max() < 0.02
    assert np.count_nonzero(np.abs(errors) > 3.0 * sigmas) <= 1
    assert sigmas.min() > 0.5 * np.median(sigmas)  # never from residuals that agree by chance
    assert not any(reading.warnings for reading in readings)


def test_perspective_a_turn_and_fractions_of_the_window():
    corners = ((30.0, 20.0), (140.0, 40.0), (130.0, 95.0), (20.0, 105.0))
    picture = expose(tilted_chart(corners))
    assert read(picture, corners).stops == pytest.approx(-HOT, abs=0.01)
    shares = tuple((x / 160.0, y / 120.0) for x, y in corners)
    assert read(picture, shares).stops == read(picture, corners).stops
    upside_down = corners[2:] + corners[:2]
    turned = expose(tilted_chart(upside_down))
    assert read(turned, upside_down).stops == pytest.approx(-HOT, abs=0.01)


def test_a_homography_takes_the_square_to_its_corners():
    corners = ((30.0, 20.0), (140.0, 40.0), (130.0, 95.0), (20.0, 105.0))
    grid = Grid.of(corners)
    square = ((0, 0), (1, 0), (1, 1), (0, 1))
    np.testing.assert_allclose([grid.point(u, v) for u, v in square], corners, atol=1e-9)
    np.testing.assert_allclose(shrunk(corners, (0.0, 0.0)), corners, atol=1e-9)
    inner = shrunk(((0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (0.0, 50.0)), (0.1, 0.2))
    np.testing.assert_allclose(inner, ((10, 10), (90, 10), (90, 40), (10, 40)), atol=1e-9)
    assert in_pixels(FakeView({1: PICTURE}), [(2.0, 0.5)] * 4) == ((2.0, 0.5),) * 4


def test_the_batch_says_what_the_patches_are():
    """Published sets; neutral 5 stands 0.17, 0.09 and 0.08 stop over 18 %."""
    five = NAMES.index("neutral 5")
    over = {name: math.log2(values[five] / 0.18) for name, values in REFLECTANCES.items()}
    assert over == pytest.approx({"iso17321": 0.174, "2005": 0.089, "2014": 0.083}, abs=1e-3)
    picture = expose()
    stops = {batch: read(picture, batch=batch).stops for batch in REFLECTANCES}
    assert max(stops.values()) - min(stops.values()) < 0.1
    assert stops["iso17321"] == pytest.approx(-HOT, abs=0.01)
    scatter = {
        batch: np.ptp(list(residuals(read(picture, batch=batch)).values())) for batch in stops
    }
    assert min(scatter, key=scatter.get) == "iso17321"
    assert ChartParams(corners=CORNERS).batch == "2014"


def test_the_balance_takes_a_cast_out():
    cast = np.asarray([1.25, 1.0, 0.8], np.float32)
    expected = np.log2(np.dot(cast, (0.2722287168, 0.6740817658, 0.0536895174)) / cast)
    np.testing.assert_allclose(read(expose() * cast).balance, expected, atol=0.02)


def test_a_wrong_curve_runs_through_all_patches():
    """A picture decoded by a gamma that it was not encoded by: 0.2 stop more a stop of tone."""
    reading = read((expose() / 0.18) ** 1.2 * 0.18)
    assert reading.warnings == (
        "the error runs through all patches, by +0.20 stops a stop: the input colour space is "
        "not the one recorded",
    )
    told = list(residuals(reading).values())
    assert told == sorted(told, reverse=True)
    assert reading.sigma > 0.05


def test_a_log_picture_taken_for_linear_light():
    coded = (np.log2(np.maximum(expose(), 1e-3)) + 10.0) / 17.0
    (warning,) = read(coded.astype(np.float32)).warnings
    assert "the input colour space is not the one recorded" in warning


def test_clipped_patches_are_left_out():
    camera = Sensor(base=20_000.0, full_well=20_000.0 * 0.7 * 2.0**HOT)
    reading = read(expose(camera=camera))
    assert reading.warnings == ("white 9.5 is clipped and left out",)
    assert reading.evidence["frames"][0]["left_out"] == ["white 9.5"]
    assert reading.stops == pytest.approx(-HOT, abs=0.01)


def test_a_patch_on_a_shoulder_is_named():
    light = expose()
    limit = 1.4
    reading = read(np.where(light > limit, limit + (light - limit) * 0.2, light))
    (warning,) = reading.warnings
    assert warning.startswith("white 9.5 ")
    assert "clipped" in warning
    assert reading.stops == pytest.approx(-HOT, abs=0.02)


def test_flare_is_told_with_its_amount():
    light = expose() + np.float32(0.006 * 2.0**HOT)
    (warning,) = read(light).warnings
    assert warning.startswith("the dark patches read high, black 2 by +0.")
    assert "light of 0.6" in warning or "light of 0.5" in warning


def test_one_patch_in_the_shade_of_a_finger():
    picture = PICTURE.copy()
    x, y = CORNERS[3]
    picture[y - 14 : y + 1, x + 28 : x + 42] *= 0.7  # neutral 6.5
    reading = read(expose(picture))
    (warning,) = reading.warnings
    assert warning.startswith("neutral 6.5 reads -0.")
    assert "no single cause" in warning
    assert reading.stops == pytest.approx(-HOT, abs=0.05)


@pytest.mark.parametrize(
    ("corners", "told"),
    [
        (((0, 0), (1, 1), (1, 0), (0, 1)), "the four corners do not go round a chart"),
        (((0, 0), (9, 9), (18, 18), (27, 27)), "the four corners do not go round a chart"),
        (((5, 5), (29, 5), (29, 21), (5, 21)), "a chart patch of 4 pixels is too small"),
        (((90, 3), (200, 3), (200, 57), (90, 57)), "reaches out of the picture"),
        (CORNERS[2:] + CORNERS[:2], "there is no chart: "),
    ],
)
def test_refuses_corners(corners, told):
    assert told in complaint(expose(), corners)


def test_refuses_a_chart_of_which_too_little_is_left():
    camera = Sensor(base=20_000.0, full_well=20_000.0 * 0.15 * 2.0**HOT)
    assert complaint(expose(camera=camera)) == (
        "only 2 of the chart's 6 neutrals are lit and not clipped, under 3; read another frame"
    )


def test_refuses_parameters():
    with pytest.raises(ValidationError):
        ChartParams(corners=CORNERS[:3])
    with pytest.raises(ValidationError):
        ChartParams(corners=CORNERS, batch="1976")


def test_several_frames_and_one_named():
    plate = FakeView({n: expose(seed=n, stops=HOT + 0.2 * n) for n in range(3)})
    reading = Chart().read(plate, ChartParams(corners=CORNERS, batch="iso17321"))
    assert "the exposure changes over the shot by 0.40 stops" in reading.warnings[0]
    one = Chart().read(plate, ChartParams(corners=CORNERS, batch="iso17321", frame=2))
    assert one.stops == pytest.approx(-HOT - 0.4, abs=0.01)


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "colour_checker_detection", None)
    told = complaint(expose(), None)
    assert "pip install 'gradeprep[chart]', or give its corners" in told


@pytest.mark.skipif(
    importlib.util.find_spec("colour_checker_detection") is None, reason="the extra [chart]"
)
@pytest.mark.parametrize("shot", SHOTS, ids=[shot.name for shot in SHOTS])
def test_with_the_extra_it_finds_the_chart(shot):
    """A hot plate; the search is narrowed to a third of the picture."""
    size = (960, 540)
    picture = shoot(shot, shot.first, size, stops=shot.stops, seed=1)
    before = np.get_printoptions()
    reading = Chart().read(
        FakeView({1: picture}),
        ChartParams(search=(0.0, 0.66, 0.34, 0.34), batch="iso17321"),
    )
    assert np.get_printoptions() == before
    assert reading.stops == pytest.approx(-shot.stops, abs=0.02)
    patches = shot.scene(shot.first, size).patches
    np.testing.assert_allclose(reading.evidence["corners"][0], patches[0][:2], atol=8.0)


RIGHT = tuple((x - 2.0, y + 1.0) for x, y in CORNERS)
BESIDE = ((8.0, 3.0), (50.0, 3.0), (50.0, 57.0), (8.0, 57.0))


def test_of_what_a_search_finds_it_takes_what_reads_as_a_chart(monkeypatch):
    """The finder knows neither the order of the corners nor a chart from a window's panes."""
    found = [BESIDE, RIGHT[::-1]]
    monkeypatch.setattr("gradeprep.meters.chart.find", lambda picture: found)
    reading = read(expose(), None)
    assert reading.stops == pytest.approx(-HOT, abs=0.01)
    assert reading.evidence["corners"] == [list(corner) for corner in RIGHT]


def test_a_search_goes_on_in_pieces_of_the_picture(monkeypatch):
    def find(picture):
        height, width = picture.shape[:2]
        if (height, width) != (36, 80):
            return []
        return [tuple((x - 80.0, y - 18.0) for x, y in RIGHT[3:] + RIGHT[:3])]  # the sixth piece

    monkeypatch.setattr("gradeprep.meters.chart.find", find)
    assert read(expose(), None).evidence["corners"] == [list(corner) for corner in RIGHT]


def test_a_fall_of_greys_among_other_things_is_no_chart(monkeypatch):
    """The neutrals alone do not make a chart: the colours over them must be a chart's."""
    picture = PICTURE.copy()
    picture[: CORNERS[3][1] - 13] = 0.3
    monkeypatch.setattr("gradeprep.meters.chart.find", lambda picture: [RIGHT])
    assert complaint(expose(picture), None) == (
        "no chart was found in frame 1 (10 places looked like one); narrow the place with "
        "search, or give its corners"
    )
    assert read(expose(picture)).stops == pytest.approx(-HOT, abs=0.01)  # where one says so


@pytest.mark.parametrize("gap", [0, 5, 10, 15, 30])
def test_another_gap_between_patches_still_reads_inside_them(gap):
    """Patches of 50 pixels; the gap that is reckoned with is 7.5 of them."""
    across, down = (count * 50 + (count - 1) * gap for count in (COLUMNS, ROWS))
    grid = Grid.of(((0, 0), (across, 0), (across, down), (0, down)))
    for row in range(ROWS):
        for column in range(COLUMNS):
            x, y, width, height = grid.cut(row, column).box
            left, top = column * (50 + gap), row * (50 + gap)
            assert left <= x
            assert x + width <= left + 50
            assert top <= y
            assert y + height <= top + 50

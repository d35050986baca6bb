"""Overlays, tones and readings: the same numbers that the commands tell."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Iterator
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from desked import CARD, HEIGHT, RECIPE, WIDTH, Opened, one_shot, opened_desk, scene, small_film
from support import run, write_exr

AP1 = np.array([0.2722287168, 0.6740817658, 0.0536895174])
"""Luminance weights of AP1 (Academy S-2014-004)."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened_desk(small_film(tmp_path_factory.mktemp("film"))) as opened:
        yield opened


def overlay(desk: Opened, kind: str, **query: object) -> tuple[np.ndarray, str]:
    told = {"shot": "wall", "frame": 1, "side": WIDTH, "kind": kind, **query}
    answer = desk.get("/api/overlay", **told)
    assert answer.status_code == 200, answer.text
    image = matplotlib.image.imread(io.BytesIO(answer.content))
    assert image.ndim == 2
    return np.rint(image * 255.0).astype(int), answer.headers["X-Note"]


def test_the_clip_overlay_counts_channels_at_the_plateau(desk: Opened) -> None:
    counts, note = overlay(desk, "clip")
    recorded = scene(1).astype(np.float16)
    assert np.array_equal(counts, (recorded >= np.float16(6.0)).sum(axis=2))
    assert "from the plateau" in note
    assert f"{math.log2(6.0 / 0.18):+.1f}" in note


def test_a_small_clip_overlay_loses_no_pixel(desk: Opened) -> None:
    counts, _ = overlay(desk, "clip", side=WIDTH // 4)
    whole, _ = overlay(desk, "clip")
    blocks = whole.reshape(HEIGHT // 4, 4, WIDTH // 4, 4)
    assert np.array_equal(counts > 0, blocks.max(axis=(1, 3)) > 0)


def test_the_noise_overlay_tells_signal_to_noise_in_stops(tmp_path: Path) -> None:
    for number in (1, 2):  # 2 % of noise on each channel; luminance averages the three
        noise = np.random.default_rng(number).normal(1.0, 0.02, (128, 256, 3))
        light = (0.18 * 2.0 ** (np.arange(256) // 64 - 2.0))[:, None] * noise
        planes = {name: light[..., i].astype(np.float16) for i, name in enumerate("RGB")}
        write_exr(tmp_path / f"odd.{number:04d}.exr", planes)
    with opened_desk(one_shot(tmp_path, "odd.####.exr")) as desk:
        values, note = overlay(desk, "noise", shot="odd", side=256)
    stops = values / 255.0 * 8.0 - 1.0
    expected = math.log2(50.0 / math.hypot(*AP1))
    assert np.abs(stops - expected).max() < 0.3
    assert "as recorded, from frames 1 and 2" in note


def test_a_frame_too_small_for_noise_says_so(desk: Opened) -> None:
    answer = desk.get("/api/overlay", shot="wall", frame=1, side=64, kind="noise")
    assert answer.status_code == 422
    assert "no tone of this frame is even enough" in answer.json()["error"]


def test_other_overlays_there_are_none(desk: Opened) -> None:
    answer = desk.get("/api/overlay", shot="wall", frame=1, side=64, kind="waveform")
    assert answer.status_code == 422
    assert "must be one of clip, noise" in answer.json()["error"]


def test_tones_before_and_after(desk: Opened) -> None:
    told = desk.get("/api/tones", shot="wall", frame=1, pull=-2).json()
    luminance = scene(1).astype(np.float16).astype(np.float64) @ AP1
    edges = told["low"] + told["step"] * np.arange(len(told["before"]) + 1)
    tones = np.log2(luminance / 0.18)
    for key, shift in (("before", 0.0), ("after", -2.0)):
        expected, _ = np.histogram(tones + shift, edges)
        found = np.array(told[key])
        assert np.abs(np.cumsum(found) - np.cumsum(expected) / tones.size).max() < 2e-3
        assert found.sum() == pytest.approx(1.0, abs=1e-3)
    assert told["step"] == 0.25
    assert told["ceiling"] == pytest.approx(math.log2(6.0 / 0.18), abs=0.01)
    assert not told["pending"]


def test_tones_come_even_where_the_ceiling_cannot_be_told(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    torn = tmp_path / "hot/wall/wall.0003.exr"
    torn.write_bytes(torn.read_bytes()[:-400])
    with opened_desk(path) as desk:
        told = desk.get("/api/tones", shot="wall", frame=1).json()
    assert sum(told["before"]) == pytest.approx(1.0, abs=1e-3)
    assert told["ceiling"] is None
    assert "wall.0003.exr" in told["note"]


def test_a_reading_is_what_the_command_measures(
    desk: Opened, capsys: pytest.CaptureFixture[str]
) -> None:
    plate = desk.desk.session.folder / "hot/wall/wall.####.exr"
    region = [str(value) for value in CARD]
    asked = ("--meter", "grey_card", "--region", *region, "--space", "ACEScg", "--json")
    ran = run(capsys, "measure", plate, *asked)
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    params = {"region": CARD}
    answer = desk.post("/api/reading", shot="wall", meter="grey_card", params=params)
    assert answer.json() == told["reading"]
    assert answer.json()["stops"] == pytest.approx(-2.0, abs=1e-3)


def test_a_reading_of_every_frame_is_what_the_command_measures(
    desk: Opened, capsys: pytest.CaptureFixture[str]
) -> None:
    plate = desk.desk.session.folder / "hot/wall/wall.####.exr"
    region = [str(value) for value in CARD]
    asked = ("--meter", "grey_card", "--region", *region, "--space", "ACEScg", "--per-frame")
    told = json.loads(run(capsys, "measure", plate, *asked, "--json").out)
    answer = desk.post(
        "/api/reading", shot="wall", meter="grey_card", params={"region": CARD, "per_frame": True}
    )
    keys = {str(frame): stops for frame, stops in answer.json()["keys"]}
    assert keys == told["curve"]["keys"]


def test_a_reference_is_compared_with_the_pull_that_the_recipe_gives_it(desk: Opened) -> None:
    params = {"shot": "door", "mode": "region", "region": CARD}
    found = desk.post("/api/reading", shot="wall", meter="reference", params=params).json()
    assert found["stops"] == pytest.approx(-2.0, abs=0.02)


@pytest.mark.parametrize(
    ("meter", "params", "line"),
    [
        ("grey_card", {"region": [0, 0, 4000, 4]}, "reaches out of the picture"),
        ("grey_card", {"region": [0, 0, 0, 0]}, "is no place"),
        ("grey_card", {}, "region: missing; its parameters are region"),
        ("grey_card", {"region": CARD, "frame": 9}, "9"),
        ("grey_card", {"region": CARD, "colour": 1}, "its parameters are region"),
        ("reference", {"shot": "nobody", "region": CARD}, "no shot 'nobody'"),
        ("magic", {}, "from the recipe, not from a page"),
    ],
)
def test_a_reading_that_cannot_be_is_told(
    desk: Opened, meter: str, params: dict[str, object], line: str
) -> None:
    answer = desk.post("/api/reading", shot="wall", meter=meter, params=params)
    assert answer.status_code == 422
    assert line in answer.json()["error"]


NOTES = RECIPE.replace(
    "- pull: {stops: -2.0}     # by eye",
    "- pull: {stops: {meter: notes, file: notes.csv, shot: wall}}",
)


def test_a_meter_of_the_recipe_may_read_the_file_that_the_recipe_names(tmp_path: Path) -> None:
    path = small_film(tmp_path, recipe=NOTES)
    (tmp_path / "notes.csv").write_text("nothing\n", "utf-8")
    with opened_desk(path) as desk:
        own = {"file": "notes.csv", "shot": "wall"}
        allowed = desk.post("/api/reading", shot="wall", meter="notes", params=own).json()
        other = own | {"file": "../notes.csv"}
        refused = desk.post("/api/reading", shot="wall", meter="notes", params=other).json()
    assert "from the recipe, not from a page" not in allowed["error"]
    assert "from the recipe, not from a page" in refused["error"]

"""Noise per tone, against a sensor whose noise is known in closed form."""

from __future__ import annotations

import json

import numpy as np
import pytest
from pydantic import ValidationError
from simulated import AP1, GREEN, Simulated, expose, patches, true_db
from support import plates_folder

from gradeprep.checks.noise import Noise, NoiseParams
from gradeprep.checks.noisetable import LEAST, measure_noise
from gradeprep.demo.sensor import Sensor
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import build
from gradeprep.plugins.contracts import Check

CHECK = Noise()


def look(plate, **params):
    return list(CHECK.look(plate, NoiseParams(**params)))


def worst(table):
    """Largest error of each channel's signal to noise in dB (EMVA Standard 1288)."""
    return [
        max(abs(one.db - true_db(one.level, channel)) for one in curve.bins)
        for channel, curve in enumerate(table.channels)
    ]


@pytest.fixture(scope="module")
def locked_off():
    return expose(patches(-8.0, 5.0))


def test_keeps_the_contract():
    assert isinstance(CHECK, Check)


def test_temporal_noise_is_the_sensors(locked_off):
    table = measure_noise(locked_off, locked_off.sample(3))
    assert table.pairs == ((1, 2), (3, 4))
    assert table.held == 0
    assert table.moving < 0.01
    assert max(worst(table)) < 0.3  # the bins hold thousands of samples; 0.5 dB is asked
    for curve in table.channels:
        assert len(curve.bins) >= 35
        assert {one.method for one in curve.bins} == {"temporal"}


def test_spatial_noise_is_the_sensors():
    plate = expose(patches(-7.0, 5.0, rows=640), [1])
    table = measure_noise(plate, [1])
    assert table.pairs == ((1,),)
    assert max(worst(table)) < 0.5
    assert {one.method for one in table.luminance.bins} == {"spatial"}


def test_luminance_noise_is_the_channels_weighted(locked_off):
    curve = measure_noise(locked_off, [1]).luminance
    per_unit = Sensor().electrons_per_unit
    for one in curve.bins:
        noises = [
            weight * one.level / Sensor().snr(one.level * electrons)
            for weight, electrons in zip(AP1, per_unit, strict=True)
        ]
        assert 20 * np.log10(one.sigma / np.hypot.reduce(noises)) == pytest.approx(0.0, abs=0.5)


def test_uncertainty_is_honest(locked_off):
    found = measure_noise(locked_off, locked_off.sample(3)).channels[GREEN].bins
    errors = [(one.db - true_db(one.level, GREEN)) / one.uncertainty for one in found]
    assert 0.6 < float(np.std(errors)) < 1.6


def test_a_pull_moves_tones_and_leaves_signal_to_noise():
    plate = expose(patches(-6.0, 3.0), [1, 2], decided=-3.0)
    before = measure_noise(plate, [1]).luminance
    after = measure_noise(plate, [1], normalized=True).luminance
    for was, now in zip(before.bins, after.bins, strict=True):
        assert now.tone == pytest.approx(was.tone - 3.0, abs=1e-6)
        assert now.db == pytest.approx(was.db, abs=1e-6)


def test_clipped_highlights_do_not_pass_as_clean():
    curve = measure_noise(expose(patches(4.0, 8.0), [1, 2]), [1]).channels[GREEN]
    assert curve.bins
    for one in curve.bins:
        assert one.db == pytest.approx(true_db(one.level, GREEN), abs=0.5)


@pytest.mark.parametrize(("by", "methods"), [((0.0, 0.0), set()), ((-0.25, 0.0), {"spatial"})])
def test_noise_cut_off_at_the_ceiling_is_not_measured(by, methods):
    # green stands at the full well: half of its noise is cut off in every block
    scene = np.full((200, 200, 3), Sensor().ceiling[GREEN], np.float32)
    frames = {n: expose(scene, [n], stops=stops).pictures[n] for n, stops in enumerate(by, 1)}
    curve = measure_noise(Simulated(frames), [1]).channels[GREEN]
    assert {one.method for one in curve.bins} == methods


@pytest.mark.parametrize(("shift", "still", "moving"), [(3.0, 0, 0.95), (0.5, 240, 0.05)])
def test_texture_that_moves_falls_back_to_the_high_pass(shift, still, moving):
    y, x = np.mgrid[:320, :480]
    dice = np.random.default_rng(5)
    pictures = {}
    for frame in (1, 2):
        places = x + shift * frame * (x >= still)
        waves = 0.18 + 0.1 * np.sin(0.4 * places) * np.sin(0.4 * y)
        luminance = (waves + dice.normal(0.0, 0.01, waves.shape)).astype(np.float32)
        pictures[frame] = np.repeat(luminance[..., None], 3, axis=2)
    table = measure_noise(Simulated(pictures), [1])
    assert table.moving > moving
    for one in table.luminance.bins:
        assert one.method == "spatial"
        assert one.sigma == pytest.approx(0.01, rel=0.05)


def test_rough_texture_counts_by_its_smoothest_blocks():
    dice = np.random.default_rng(6)
    picture = 0.18 + dice.normal(0.0, 0.01, (320, 480))
    rough = dice.uniform(-0.1, 0.1, picture.shape)
    picture[:, 120:] += rough[:, 120:]  # three quarters of the picture are gravel
    frame = np.repeat(picture.astype(np.float32)[..., None], 3, axis=2)
    (one,) = measure_noise(Simulated({1: frame}), [1]).luminance.bins
    # the mean of all blocks would say 0.046; a quarter of smooth ones leaves a fifth too much
    assert one.sigma == pytest.approx(0.01, rel=0.25)


def test_held_frames_are_named_and_not_taken_for_clean():
    scene = expose(patches(-4.0, 3.0), [1])
    plate = Simulated({1: scene.pictures[1], 2: scene.pictures[1].copy()})
    table = measure_noise(plate, [1])
    assert table.held == 1
    assert {one.method for one in table.luminance.bins} == {"spatial"}


def test_frames_of_different_sizes_are_measured_one_by_one():
    scene = expose(patches(-4.0, 3.0), [1, 2])
    plate = Simulated({1: scene.pictures[1], 2: scene.pictures[2][:-5]})
    table = measure_noise(plate, [1])
    assert {one.method for one in table.luminance.bins} == {"spatial"}
    assert table.held == 0


def test_few_blocks_are_no_bin():
    size = 8 * 3 + 2  # 9 blocks
    plate = expose(np.full((size, size, 3), 0.18, np.float32), [1, 2])
    assert LEAST > 9
    assert measure_noise(plate, [1]).luminance.bins == ()


@pytest.mark.parametrize("shape", [(1, 1), (2, 40), (9, 9)])
@pytest.mark.parametrize("frames", [[1], [1, 2]])
def test_pictures_too_small_for_a_block_have_no_bins(shape, frames):
    plate = Simulated({n: np.full((*shape, 3), 0.18, np.float32) for n in frames})
    assert measure_noise(plate, [1]).luminance.bins == ()
    assert [finding.severity for finding in look(plate)] == ["note"]


def test_the_note_tells_both_tables_in_finite_numbers(locked_off):
    (note,) = look(expose(patches(-8.0, 3.0), [1, 2, 3], decided=-3.0))
    assert note.severity == "note"
    json.dumps(note.model_dump(mode="json"), allow_nan=False)
    before, after = note.numbers["clean_10"]["before"], note.numbers["clean_10"]["after"]
    assert after["tone"] == pytest.approx(before["tone"] - 3.0, abs=1e-3)
    assert note.numbers["before"]["luminance"]["snr"][-1] > 40.0
    assert note.numbers["after"]["pairs"] == [[1, 2], [2, 3]]


@pytest.mark.parametrize(
    ("wanted", "found"), [(-6.0, ["note", "fail"]), (-5.0, ["note"]), (None, ["note"])]
)
def test_shadows_that_are_not_clean_enough_are_found(wanted, found):
    # normalized, 10:1 is reached at -2.7 - 3 stops
    plate = expose(patches(-8.0, 3.0), [1, 2], decided=-3.0)
    findings = look(plate, on="fail", clean_above=wanted)
    assert [finding.severity for finding in findings] == found
    if len(findings) == 2:
        assert findings[1].numbers["clean_above"] == wanted
        assert findings[1].what.endswith("not to -6")


def test_a_picture_without_shadows_is_not_blamed():
    plate = expose(patches(0.0, 3.0), [1, 2])
    assert [finding.severity for finding in look(plate, clean_above=-4.0)] == ["note"]


def test_only_so_many_pairs_are_decoded():
    plate = expose(patches(-2.0, 2.0, rows=32), range(1, 21))
    measure_noise(plate, plate.sample(3))
    assert sorted(set(plate.asked)) == [1, 2, 11, 12, 19, 20]


@pytest.mark.parametrize("wrong", [{"on": "stop"}, {"pairs": 0}, {"clean": 1}])
def test_refuses_parameters(wrong):
    with pytest.raises(ValidationError):
        NoiseParams(**wrong)


@pytest.mark.parametrize(
    ("plate", "space"),
    [
        ("exr/Desk.exr", "lin_rec709_scene"),
        ("exr/Garden.exr", "lin_rec709_scene"),
        ("dpx/seq/test_######.dpx", "lin_rec709_scene"),
        ("dpx/uvMap.512x256.dpx", "ACEScct"),
    ],
)
def test_real_images_come_out_finite(plate, space, tmp_path):
    result = tmp_path / "out" / f"plate.####.{plate[-3:]}"
    shot = {
        "plate": str(plates_folder() / plate),
        "space": space,
        "stages": [{"lift": {"stops": 1.0}}, {"pull": {"stops": -3.0}}],
        "checks": {"noise": {"clean_above": -4.0}, "precision": {}},
        "output": {"plate": str(result)},
    }
    recipe = build({"gradeprep": 1, "shots": {"plate": shot}})
    planned = make_plan(recipe, tmp_path, Options()).shots["plate"]
    assert any("noise" in finding.what for finding in planned.document.findings)
    for finding in planned.document.findings:
        json.dumps(finding.model_dump(mode="json"), allow_nan=False)

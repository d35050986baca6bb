"""Bundles, chunks and sealing: equal to a run on one machine, whatever happens on the way."""

from __future__ import annotations

import json
import random
import shutil

import PyOpenColorIO as ocio
import pytest
from farmed import HOSTILE, local_results, made, results, scene
from refusal import RECIPE, exr_plate, light, refused, speaks_plainly, write_recipe
from support import run, snapshot, write_exr

from gradeprep.plates import atomic
from gradeprep.runners import lock, share, versions

ONE = ("--jobs", "1", "--quiet")


def chunk(capsys, bundle, frames, *options, shot="quay"):
    return run(capsys, "chunk", bundle, "--shot", shot, "--frames", frames, *ONE, *options)


def sealed(capsys, bundle, *options):
    return run(capsys, "collect", bundle, "--jobs", "1", *options)


# The whole way


def test_chunks_in_any_order_and_overlapping_make_what_one_run_makes(tmp_path, capsys):
    recipe = scene(tmp_path, 7)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / "bundle", "--chunk", 3)
    pieces = ["1001-1003", "1004:1", "1003,1005-1007:2", "1006", "1004-1006"]
    random.Random(3).shuffle(pieces)
    for piece in pieces:
        assert chunk(capsys, bundle, piece.replace(":1", "")).code == 0
    told = sealed(capsys, bundle)
    assert (told.code, told.err) == (0, "")
    assert told.out == f"quay: 7 frames; {tmp_path / 'out' / 'quay' / 'quay.stops.json'}\n"
    assert results(tmp_path / "out") == alone
    before = results(tmp_path / "out")
    assert sealed(capsys, bundle).code == 0
    assert results(tmp_path / "out") == before


def test_a_bundle_runs_where_the_show_is_mounted_elsewhere(tmp_path, capsys):
    show = tmp_path / HOSTILE
    recipe = scene(show)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / "bundle", "--chunk", 2)
    elsewhere = tmp_path / "elsewhere"
    show.rename(elsewhere)
    place = ("--map", f"{show}={elsewhere}")
    for number in (1, 2, 3):
        ran = run(capsys, "chunk", bundle, "--number", number, *ONE, *place)
        assert ran.code == 0, ran
    assert sealed(capsys, bundle, *place).code == 0
    assert results(elsewhere / "out") == alone
    assert not show.exists()


def test_two_nodes_with_other_mounts_leave_equal_records(tmp_path, capsys):
    bundle = made(capsys, scene(tmp_path / "show"), tmp_path / "bundle")
    told = []
    for node in ("a", "b"):
        shutil.copytree(tmp_path / "show", tmp_path / node)
        place = ("--map", f"{tmp_path / 'show'}={tmp_path / node}")
        assert chunk(capsys, bundle, "1001-1003", *place).code == 0
        (part,) = (tmp_path / node / "out" / "quay").glob(".*.part")
        told.append((part.name, part.read_bytes()))
    assert told[0] == told[1]


def test_a_config_moves_with_the_show(tmp_path, capsys):
    show = tmp_path / "show"
    recipe = scene(show)
    (show / "colour").mkdir()
    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    (show / "colour" / "config.ocio").write_text(config.serialize(), encoding="utf-8")
    text = recipe.read_text(encoding="utf-8")
    recipe.write_text(text + "colour: {config: colour/config.ocio}\n", encoding="utf-8")
    bundle = made(capsys, recipe, tmp_path / "bundle")
    show.rename(tmp_path / "elsewhere")
    place = ("--map", f"{show}={tmp_path / 'elsewhere'}")
    assert chunk(capsys, bundle, "1001-1005", *place).code == 0
    assert sealed(capsys, bundle, *place).code == 0
    alone = made_alone(capsys, tmp_path / "elsewhere")
    assert results(tmp_path / "elsewhere" / "out") == alone


def made_alone(capsys, folder):
    """What one run makes of the same show, in a copy that stands in for it afterwards."""
    kept = folder.parent / "kept"
    (folder / "out").rename(kept)
    alone = local_results(capsys, folder / "recipe.yaml")
    kept.rename(folder / "out")
    return alone


def test_two_bundles_of_one_plan_are_equal(tmp_path, capsys):
    recipe = scene(tmp_path)
    for form in ("openjd", "sbatch", "make"):
        pair = [
            made(capsys, recipe, tmp_path / f"{form}{i}", "--as", form, "--chunk", 2)
            for i in (1, 2)
        ]
        assert results(pair[0]) == results(pair[1])


def test_a_chunk_that_runs_again_keeps_what_is_right(tmp_path, capsys):
    bundle = made(capsys, scene(tmp_path), tmp_path / "bundle")
    assert chunk(capsys, bundle, "1001-1005").code == 0
    out = tmp_path / "out" / "quay"
    before = {path.name: path.stat().st_ino for path in out.glob("quay.*.exr")}
    (out / "quay.1002.exr").write_bytes(b"torn")
    ran = run(capsys, "chunk", bundle, "--shot", "quay", "--frames", "1001-1005", "--jobs", 1)
    assert ran.out == "quay 1001-1005: 5 frames, 4 of them kept\n"
    after = {path.name: path.stat().st_ino for path in out.glob("quay.*.exr")}
    assert {name for name in before if before[name] != after[name]} == {"quay.1002.exr"}
    assert sealed(capsys, bundle).code == 0
    assert chunk(capsys, bundle, "1001-1005").code == 0
    assert not list(out.glob(".*"))


def test_shots_that_stand_in_a_sidecar_already_stay_in_it(tmp_path, capsys):
    recipe = scene(tmp_path)
    alone = local_results(capsys, recipe)
    assert run(capsys, "run", recipe, "--frames", "1001-1002", *ONE).code == 0
    bundle = made(capsys, recipe, tmp_path / "bundle", "--frames", "1003-1005")
    assert run(capsys, "chunk", bundle, "--number", 1, *ONE).code == 0
    assert sealed(capsys, bundle).code == 0
    assert results(tmp_path / "out") == alone


# A shot that cannot be done


def test_a_bad_plate_is_left_out_and_told(tmp_path, capsys):
    exr_plate(tmp_path / "a", 2)
    exr_plate(tmp_path / "b", 2)
    (tmp_path / "b" / "quay.1002.exr").write_bytes(b"v/1\x01")
    text = RECIPE.replace("  quay: {plate: plate}\n", "  a: {plate: a}\n  b: {plate: b}\n")
    recipe = write_recipe(tmp_path, text)
    ran = run(capsys, "farm", recipe, "-o", tmp_path / "bundle", "--json")
    assert ran.code == 1
    speaks_plainly(ran)
    told = json.loads(ran.out)
    assert (told["frames"], list(told["left_out"])) == (2, ["b"])
    assert list(json.loads((tmp_path / "bundle" / "bundle.json").read_text())["shots"]) == ["a"]
    arguments = ("farm", recipe, "-o", tmp_path / "none", "--shot", "b")
    refused(capsys, tmp_path, arguments, "no shot is left", code=1)


def test_a_frame_that_fails_is_told_and_the_others_are_made(tmp_path, capsys):
    recipe = scene(tmp_path)
    bundle = made(capsys, recipe, tmp_path / "bundle")
    whole = (tmp_path / "plate" / "quay.1003.exr").read_bytes()
    (tmp_path / "plate" / "quay.1003.exr").write_bytes(whole[:300])
    ran = chunk(capsys, bundle, "1001-1005", "--openjd")
    assert ran.code == 1
    lines = ran.out.splitlines()
    assert [line for line in lines if line.startswith("openjd_fail: quay frame 1003: ")]
    assert "openjd_progress: 100.0" in lines
    assert all(line.startswith("openjd_") for line in lines)
    before = snapshot(tmp_path / "out")
    told = sealed(capsys, bundle)
    assert told.code == 1
    speaks_plainly(told)
    assert "quay frame 1003 is not made yet; run gradeprep chunk" in told.err
    assert snapshot(tmp_path / "out") == before
    (tmp_path / "plate" / "quay.1003.exr").write_bytes(whole)
    assert chunk(capsys, bundle, "1003").code == 0
    assert sealed(capsys, bundle).code == 0


def test_a_partial_sidecar_is_there_for_who_asks(tmp_path, capsys):
    recipe = scene(tmp_path)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / "bundle")
    assert chunk(capsys, bundle, "1001-1003").code == 0
    (tmp_path / "out" / "quay" / "quay.1002.exr").write_bytes(b"somebody's")
    told = sealed(capsys, bundle, "--partial", "--json")
    assert told.code == 1
    found = json.loads(told.out)["shots"]["quay"]
    assert (found["frames"], found["missing"], found["wrong"]) == (2, "1004-1005", "1002")
    record = json.loads((tmp_path / "out" / "quay" / "quay.stops.json").read_text("utf-8"))
    assert [frame["number"] for frame in record["frames"]] == [1001, 1003]
    assert [f["what"] for f in record["findings"] if f["severity"] == "fail"] == [
        "quay frame 1002: is not as recorded",
        "quay frame 1004: was not made yet",
        "quay frame 1005: was not made yet",
    ]
    assert chunk(capsys, bundle, "1002,1004-1005").code == 0
    assert sealed(capsys, bundle).code == 0
    assert results(tmp_path / "out") == alone


def test_a_lost_part_is_told_by_its_frames(tmp_path, capsys):
    bundle = made(capsys, scene(tmp_path), tmp_path / "bundle", "--chunk", 2)
    for number in (1, 2, 3):
        assert run(capsys, "chunk", bundle, "--number", number, *ONE).code == 0
    (part,) = (tmp_path / "out" / "quay").glob(".quay.stops.1003-*.part")
    part.unlink()
    told = sealed(capsys, bundle)
    assert told.code == 1
    assert "frames 1003-1004 are not made yet" in told.err
    assert not (tmp_path / "out" / "quay" / "quay.stops.json").exists()


def test_of_two_records_the_one_that_is_true_counts(tmp_path, capsys):
    """Two chunks made a frame, the source changed in between: the file says which is right."""
    bundle = made(capsys, scene(tmp_path), tmp_path / "bundle")
    assert chunk(capsys, bundle, "1001-1003").code == 0
    write_exr(tmp_path / "plate" / "quay.1003.exr", light(seed=77))
    assert chunk(capsys, bundle, "1003-1005").code == 0
    assert sealed(capsys, bundle).code == 0
    record = json.loads((tmp_path / "out" / "quay" / "quay.stops.json").read_text("utf-8"))
    source = atomic.digest(tmp_path / "plate" / "quay.1003.exr")
    assert record["frames"][2]["done"]["source"]["hash"] == source


# Others at the same shot


def test_a_run_and_chunks_keep_out_of_each_others_way(tmp_path, capsys):
    recipe = scene(tmp_path)
    bundle = made(capsys, recipe, tmp_path / "bundle")
    out = tmp_path / "out" / "quay"
    out.mkdir(parents=True)
    order = json.loads((bundle / "bundle.json").read_text("utf-8"))["shots"]["quay"]["sha256"]
    with share.joined(out, "quay", order=order, frames="1001-1002"):
        says = ("frames 1001-1002 are being made by process", "wait until it ends")
        refused(capsys, tmp_path, ("run", recipe, *ONE), *says, code=2)
        assert chunk(capsys, bundle, "1003-1004").code == 0
    with lock.held(out, "quay"):
        arguments = ("chunk", bundle, "--shot", "quay", "--frames", "1005", *ONE)
        refused(capsys, tmp_path, arguments, "quay: ", "held by process", code=2)
        assert sealed(capsys, bundle).code == 2
    assert chunk(capsys, bundle, "1001-1005").code == 0
    assert sealed(capsys, bundle).code == 0


def test_a_sidecar_of_something_else_is_told_before_the_farm_begins(tmp_path, capsys):
    recipe = scene(tmp_path)
    assert run(capsys, "run", recipe, *ONE).code == 0
    text = recipe.read_text(encoding="utf-8")
    recipe.write_text(text.replace("stops: -1", "stops: -2"), encoding="utf-8")
    arguments = ("farm", recipe, "-o", tmp_path / "bundle", "--frames", "1001", "--overwrite")
    refused(capsys, tmp_path, arguments, "were made by another decision", code=2)


# What is wrong with the request


def test_a_folder_that_exists_is_not_written_into(tmp_path, capsys):
    recipe = scene(tmp_path)
    (tmp_path / "bundle").mkdir()
    arguments = ("farm", recipe, "-o", tmp_path / "bundle")
    refused(capsys, tmp_path, arguments, "exists already, and a bundle is never changed", code=2)


@pytest.mark.parametrize("frames", ["", " ", "1010-1001"])
def test_an_empty_range(frames, tmp_path, capsys):
    recipe = scene(tmp_path)
    arguments = ("farm", recipe, "-o", tmp_path / "bundle", "--frames", frames)
    refused(capsys, tmp_path, arguments, "--frames", code=2)


@pytest.fixture
def bundle(tmp_path, capsys):
    return made(capsys, scene(tmp_path), tmp_path / "bundle", "--chunk", 2)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--shot", "quai", "--frames", "1001"), ("no shot 'quai'", "it has quay")),
        (("--shot", "quay", "--frames", "1005-1007"), ("1006-1007 are not in", "1001-1005")),
        (("--number", "4"), ("no chunk 4", "it has 3")),
        (("--number", "1", "--shot", "quay"), ("--number names shot and frames by itself",)),
        ((), ("say which frames",)),
        (("--number", "1", "--map", "/nowhere=/x"), ("--map", "no folder of the bundle")),
    ],
)
def test_chunks_that_are_not_in_the_bundle(options, says, bundle, tmp_path, capsys):
    refused(capsys, tmp_path, ("chunk", bundle, *options, *ONE), *says, code=2)


def test_places_that_lead_results_onto_plates(bundle, tmp_path, capsys):
    places = ("--map", f"{tmp_path / 'plate'}=/x/y", "--map", f"{tmp_path / 'out' / 'quay'}=/x")
    arguments = ("chunk", bundle, "--number", "1", *places)
    refused(capsys, tmp_path, arguments, "led to one folder", "never touched", code=2)
    refused(capsys, tmp_path, ("collect", bundle, *places), "led to one folder", code=2)


@pytest.mark.parametrize("command", [("chunk", "--number", "1"), ("collect",)])
@pytest.mark.parametrize("fault", ["cut", "empty", "changed", "manifest cut", "gone", "version"])
def test_torn_bundles(fault, command, bundle, tmp_path, capsys):
    file = bundle / ("bundle.json" if fault in ("manifest cut", "version") else "shots/0001.json")
    text = file.read_bytes()
    if fault == "gone":
        file.unlink()
    elif fault == "changed":
        file.write_bytes(text.replace(b"-1.0", b"-2.0"))
    elif fault == "version":
        file.write_bytes(text.replace(b'"gradeprep_bundle": 1', b'"gradeprep_bundle": 2'))
    else:
        file.write_bytes(b"" if fault == "empty" else text[: len(text) // 2])
    name, *options = command
    arguments = (name, bundle, *options)
    refused(capsys, tmp_path, arguments, str(file), "write the bundle again", code=2)


@pytest.mark.parametrize("command", [("chunk", "--number", "1"), ("collect",)])
def test_no_bundle_at_all(command, tmp_path, capsys):
    name, *options = command
    refused(capsys, tmp_path, (name, tmp_path, *options), "has no bundle.json", code=2)
    refused(capsys, tmp_path, (name, tmp_path / "none", *options), "is missing", code=2)


@pytest.mark.parametrize("command", [("chunk", "--number", "1"), ("collect",)])
@pytest.mark.parametrize(
    "change", [("stops: -1", "stops: -2"), ("quay:", "quai:"), ("gradeprep: 1", "gradeprep: {")]
)
def test_a_recipe_that_was_changed_afterwards(change, command, bundle, tmp_path, capsys):
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(recipe.read_text("utf-8").replace(*change), encoding="utf-8")
    name, *options = command
    says = ("quay: ", "the recipe was changed after the bundle was made")
    refused(capsys, tmp_path, (name, bundle, *options), *says, code=2)


def test_a_recipe_that_asks_the_same_in_other_words(bundle, tmp_path, capsys):
    recipe = tmp_path / "recipe.yaml"
    text = recipe.read_text("utf-8") + "  other: {plate: elsewhere}  # a shot that came later\n"
    recipe.write_text(text, encoding="utf-8")
    assert run(capsys, "chunk", bundle, "--number", 1, *ONE).code == 0
    recipe.unlink()
    assert run(capsys, "chunk", bundle, "--number", 2, *ONE).code == 0


def test_another_version_is_named(bundle, tmp_path, capsys, monkeypatch):
    real = versions.versions

    def older(stages):
        return {**real(stages), "numpy": "1.0", "arithmetic": "0"}

    monkeypatch.setattr(versions, "versions", older)
    arguments = ("chunk", bundle, "--number", "1", "--openjd")
    before = snapshot(tmp_path)
    ran = run(capsys, *arguments)
    assert ran.code == 2
    assert "numpy 1.0 (planned with " in ran.err
    assert "arithmetic 0 (planned with " in ran.err
    assert "openjd_fail: this machine has " in ran.out
    assert snapshot(tmp_path) == before


def test_another_config_is_named(tmp_path, capsys):
    recipe = scene(tmp_path)
    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    for name in ("planned", "other"):
        (tmp_path / name).mkdir()
        config.setDescription(name)
        (tmp_path / name / "config.ocio").write_text(config.serialize(), encoding="utf-8")
    planned = tmp_path / "planned" / "config.ocio"
    bundle = made(capsys, recipe, tmp_path / "bundle", "--config", planned)
    place = f"{tmp_path / 'planned'}={tmp_path / 'other'}"
    arguments = ("chunk", bundle, "--number", "1", "--map", place)
    refused(capsys, tmp_path, arguments, "is not the one that the task was planned with", code=2)


def test_nothing_is_left_where_the_bundle_cannot_be_written(tmp_path, capsys):
    recipe = scene(tmp_path)
    (tmp_path / "file").write_text("", encoding="utf-8")
    arguments = ("farm", recipe, "-o", tmp_path / "file" / "bundle")
    refused(capsys, tmp_path, arguments, "the bundle cannot be written", code=1)


def test_negative_frames(tmp_path, capsys):
    for number in range(-2, 3):
        write_exr(
            tmp_path / "plate" / f"quay.{'-' * (number < 0)}{abs(number):04d}.exr",
            light(seed=number + 5),
        )
    recipe = write_recipe(tmp_path)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / "bundle", "--chunk", 3)
    assert chunk(capsys, bundle, "-2-0").code == 0
    assert chunk(capsys, bundle, "1-2").code == 0
    assert sealed(capsys, bundle).code == 0
    assert results(tmp_path / "out") == alone


def test_the_plates_are_only_read(tmp_path, capsys):
    recipe = scene(tmp_path)
    before = snapshot(tmp_path / "plate")
    bundle = made(capsys, recipe, tmp_path / "bundle")
    assert chunk(capsys, bundle, "1001-1005").code == 0
    assert sealed(capsys, bundle).code == 0
    assert snapshot(tmp_path / "plate") == before
    shutil.rmtree(tmp_path / "out")

"""What every command promises: help, exit codes, one JSON document, silence, frames."""

from __future__ import annotations

import json
import subprocess
import sys

import clumsy
import jsonschema
import pytest
import yaml
from refusal import ACESCG, RECIPE, exr_plate, light, refused, write_recipe
from support import run, snapshot, write_exr

import gradeprep
from gradeprep.cli import COMMANDS
from gradeprep.model.documents.plugins import PluginsDocument

HEAVY = ("numpy", "OpenEXR", "OpenImageIO", "PyOpenColorIO", "pydantic", "yaml", "rich")


def process(*arguments, **options):
    """The program as a process of its own."""
    command = (sys.executable, *map(str, arguments))
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)


# Help and version.


@pytest.mark.parametrize("option", ["--help", "-h", "--version"])
def test_help_and_version_import_nothing_heavy(option):
    code = (
        "import sys\nfrom gradeprep.cli import main\n"
        "try:\n    main()\nexcept SystemExit as left:\n    assert not left.code\n"
        f"print(*sorted({set(HEAVY)} & sys.modules.keys()), file=sys.stderr)"
    )
    ran = process("-c", code, option)
    assert ran.returncode == 0, ran
    assert ran.stderr.split() == []
    assert "gradeprep" in ran.stdout


def test_version_is_the_package_s(capsys):
    assert run(capsys, "--version").out == f"gradeprep, version {gradeprep.__version__}\n"


def test_help_lists_every_command_with_its_line(capsys):
    out = " ".join(run(capsys, "--help").out.split())
    for name, line in COMMANDS.items():
        assert f"{name} {line}" in out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_by_an_example(command, capsys):
    ran = run(capsys, command, "--help")
    assert ran.code == 0
    assert "Example" in ran.out
    assert f"gradeprep {command}" in ran.out.partition("Example")[2]


def test_module_and_program_are_one():
    ran = process("-m", "gradeprep", "--version")
    assert ran.stdout == f"gradeprep, version {gradeprep.__version__}\n"


# Exit codes of wrong usage.


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("pul",), "No such command 'pul'"),
        (("pull", "a.exr", "b.exr"), "Missing option '--stops'"),
        (("pull", "a.exr"), "Missing argument 'OUT'"),
        (("pull", "a.exr", "b.exr", "--stop", "-1"), "No such option"),
        (("pull", "a.exr", "b.exr", "--stops", "-1", "--jobs", "0"), "'--jobs'"),
        (("pull", "a.exr", "b.exr", "--stops", "-1", "--jobs", "many"), "'--jobs'"),
        (("pull", "a.exr", "b.exr", "--stops", "-1", "--frames", "x"), "'--frames': 'x' is no"),
        (("pull", "a.exr", "b.exr", "--stops", "-1", "--type", "octal"), "'octal' is not one of"),
        (("schema", "film"), "'film' is not one of"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_usage_is_a_wrong_request(arguments, says, tmp_path, capsys):
    refused(capsys, tmp_path, arguments, "Error: ", says, code=2)


def test_traceback_on_request(tmp_path, capsys):
    arguments = ("pull", tmp_path / "none.exr", tmp_path / "out", "--stops", "-1")
    assert "Traceback" not in run(capsys, *arguments).err
    ran = run(capsys, *arguments, "--traceback")
    assert ran.code == 2
    assert "Traceback" in ran.err
    assert ran.err.splitlines()[-1].startswith("gradeprep: ")


def test_fault_of_the_program_is_told_as_one(tmp_path, capsys, monkeypatch):
    def broken(*arguments, **options):
        raise ZeroDivisionError("by\nnothing")

    monkeypatch.setattr("gradeprep.cli.pull.carry_out", broken)
    file = write_exr(tmp_path / "quay.exr", light())
    ran = run(capsys, "pull", file, tmp_path / "out", *ACESCG)
    assert ran.code == 1
    (line,) = ran.err.splitlines()
    assert line.startswith("gradeprep: internal error: ZeroDivisionError: by nothing; ")


def test_reader_that_goes_away_is_no_fault():
    command = (sys.executable, "-m", "gradeprep", "schema", "recipe")
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as ran:
        ran.stdout.close()
        assert b"Traceback" not in ran.stderr.read()


# --json and --quiet.


@pytest.fixture
def film(tmp_path):
    """A recipe of two shots; the second one's plate has a gap."""
    exr_plate(tmp_path / "plate")
    exr_plate(tmp_path / "torn")
    (tmp_path / "torn" / "quay.1002.exr").unlink()
    return write_recipe(tmp_path, f"{RECIPE}  torn: {{plate: torn}}\n")


def document(ran):
    """The one JSON document on standard output, as JSON has it: no NaN."""

    def never(word):
        raise AssertionError(f"{word} is no JSON")

    assert ran.out.endswith("\n")
    return json.loads(ran.out, parse_constant=never)


def test_run_tells_all_in_one_json_document(film, capsys):
    ran = run(capsys, "run", film, "--json", "--jobs", "1")
    assert ran.code == 1
    told = document(ran)
    assert set(told) == {"quay", "torn"}
    assert told["quay"]["error"] == ""
    assert told["quay"]["failed"] == []
    assert told["quay"]["record"]["shot"] == "quay"
    assert told["torn"]["record"] is None
    assert "frames 1002 are missing" in told["torn"]["error"]
    assert f"gradeprep: {told['torn']['error']}" in ran.err.splitlines()
    sidecar = json.loads((film.parent / "out/quay/quay.stops.json").read_text(encoding="utf-8"))
    assert told["quay"]["record"] == sidecar


def test_every_command_with_json_prints_one_document(film, tmp_path, capsys):
    sidecar = tmp_path / "out" / "quay" / "quay.stops.json"
    pull = ("pull", tmp_path / "plate", tmp_path / "pulled", *ACESCG[:-1])
    for arguments in (
        ("run", film, "--shot", "quay"),
        pull,
        ("plan", film, "--shot", "quay", "--overwrite"),
        ("audit", sidecar),
        ("restore", sidecar, tmp_path / "back"),
        ("plugins",),
    ):
        jobs = ("--jobs", "1") if arguments[0] in ("run", "audit", "restore") else ()
        ran = run(capsys, *arguments, "--json", *jobs)
        assert ran.code == 0, ran
        assert document(ran)
        assert ran.err == ""


def test_wrong_request_prints_no_document(tmp_path, capsys):
    arguments = ("run", tmp_path / "none.yaml", "--json")
    refused(capsys, tmp_path, arguments, "no such recipe", code=2)


def test_quiet_prints_nothing(film, tmp_path, capsys):
    sidecar = tmp_path / "out" / "quay" / "quay.stops.json"
    for arguments in (
        ("run", film, "--shot", "quay"),
        ("pull", tmp_path / "plate", tmp_path / "pulled", *ACESCG[:-3]),
        ("audit", sidecar),
        ("restore", sidecar, tmp_path / "back"),
    ):
        ran = run(capsys, *arguments, "--jobs", "1", "--quiet")
        assert (ran.code, ran.out, ran.err) == (0, "", ""), ran


def test_where_no_terminal_is_progress_is_plain_lines(film, capsys):
    ran = run(capsys, "run", film, "--shot", "quay", "--jobs", "1")
    assert ran.err == "quay: 3/3 frames\n"
    assert ran.out.startswith("quay: 3 frames by -1 stops; ")


# plan


def test_plan_tells_every_decision_and_writes_nothing(film, tmp_path, capsys):
    before = snapshot(tmp_path)
    ran = run(capsys, "plan", film, "--json")
    assert ran.code == 1  # one plate has a gap
    assert snapshot(tmp_path) == before
    told = document(ran)
    assert told["config"]["from"] in ("built-in", "$OCIO")
    assert "frames 1002 are missing" in told["failed"]["torn"]
    shot = told["shots"]["quay"]
    assert shot["kernels"] == {"half-table": 3}
    assert shot["space_from"] == "named"
    assert shot["existing"] == []
    assert shot["document"]["reversible"]["exact"] is True
    assert 0 < shot["bytes_needed"] < shot["bytes_free"]
    task = shot["document"]
    assert [frame["number"] for frame in task["frames"]] == [1001, 1002, 1003]
    for frame in task["frames"]:
        assert frame["stages"] == [{"stage": "pull", "numbers": {"stops": -1.0}}]
        assert frame["source"].endswith(f"plate/quay.{frame['number']}.exr")
        assert frame["result"].endswith(f"out/quay/quay.{frame['number']}.exr")
    assert task["colour"]["source"] == task["colour"]["result"] == "ACEScg"
    assert task["output"]["format"] == "exr"


def test_plan_settles_what_a_meter_reads(tmp_path, capsys):
    grey = light(dtype="float32")
    for plane in grey.values():
        plane[:] = 0.72  # two stops over 0.18
    write_exr(tmp_path / "plate" / "quay.1001.exr", grey)
    ask = "{meter: grey_card, region: [2, 2, 8, 8]}"
    recipe = write_recipe(tmp_path, RECIPE.replace("stops: -1", f"stops: {ask}"))
    shot = document(run(capsys, "plan", recipe, "--json"))["shots"]["quay"]
    assert shot["document"]["readings"][0]["meter"] == "grey_card"
    (stage,) = shot["document"]["frames"][0]["stages"]
    assert stage["numbers"]["stops"] == pytest.approx(-2.0, abs=1e-6)


def test_plan_for_people_names_plates_stages_and_disk(film, capsys):
    out = run(capsys, "plan", film, "--shot", "quay").out
    for words in ("config ", "plate/quay.####.exr", "pull -1", "exact: whole stops", "MB free"):
        assert words in out


# Schemas.


@pytest.mark.parametrize("kind", ["recipe", "sidecar", "bundle"])
def test_schema_is_a_json_schema(kind, capsys):
    schema = document(run(capsys, "schema", kind))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def valid(schema, data):
    return jsonschema.Draft202012Validator(schema).is_valid(data)


def test_recipe_schema_takes_recipes_and_refuses_their_faults(capsys):
    schema = document(run(capsys, "schema", "recipe"))
    assert valid(schema, yaml.safe_load(RECIPE))
    for right, wrong in (
        ("space:", "spice:"),
        ("stops: -1", "stopps: -1"),
        ("stops: -1", "stops: 1e9"),
        ("pull:", "pul:"),
        ("gradeprep: 1", "gradeprep: 2"),
    ):
        assert not valid(schema, yaml.safe_load(RECIPE.replace(right, wrong, 1))), wrong


def test_what_is_written_keeps_its_schema(film, capsys):
    told = document(run(capsys, "run", film, "--shot", "quay", "--json", "--jobs", "1"))
    assert valid(document(run(capsys, "schema", "sidecar")), told["quay"]["record"])


# plugins


def listed(text):
    """Plugins by kind and name of a document, which keeps its schema."""
    told = json.loads(text)
    jsonschema.validate(told, PluginsDocument.model_json_schema(by_alias=True))
    return {(one["kind"], one["name"]): one for one in told["plugins"]}


def test_plugins_come_with_kind_source_and_summary(capsys):
    rows = listed(run(capsys, "plugins", "--json").out)
    assert {("stage", "pull"), ("stage", "lift"), ("meter", "grey_card"), ("check", "pixels")} <= (
        rows.keys()
    )
    assert all(one["summary"] and not one["error"] for one in rows.values())
    out = run(capsys, "plugins").out
    assert all(one["name"] in out and one["summary"] in out for one in rows.values())
    assert "Width of the transition" not in out


def test_plugins_tell_their_parameters_on_request(capsys):
    lift = listed(run(capsys, "plugins", "--json").out)["stage", "lift"]
    stops, below, _ = lift["parameters"]
    assert (stops["name"], stops["required"], stops["type"]) == ("stops", True, "number, -40..40")
    assert (below["required"], below["default"]) == (False, -3.0)
    lines = [" ".join(line.split()) for line in run(capsys, "plugins", "-v").out.splitlines()]
    assert "softness number, -40..40 3.0 Width of the transition, in stops" in lines


def test_broken_plugins_are_named_and_disturb_no_other(tmp_path):
    environment = clumsy.environment(tmp_path)
    ran = process("-m", "gradeprep", "plugins", "--json", env=environment)
    assert ran.returncode == 0, ran
    rows = listed(ran.stdout)
    assert rows["stage", "clumsy"]["source"] == "clumsy 1.0"
    assert rows["stage", "clumsy"]["error"] == ""
    assert "does not load: ModuleNotFoundError" in rows["stage", "absent"]["error"]
    assert "update or uninstall" in rows["stage", "absent"]["error"]
    assert "does not load: AttributeError" in rows["meter", "twice"]["error"]
    assert rows["stage", "pull"]["error"] == ""


def test_recipe_that_names_a_broken_plugin_hears_of_it(tmp_path):
    exr_plate(tmp_path / "plate", 1)
    recipe = write_recipe(tmp_path, RECIPE.replace("pull:", "absent:"))
    environment = clumsy.environment(tmp_path / "plugins")
    ran = process("-m", "gradeprep", "run", recipe, env=environment)
    assert ran.returncode == 2
    assert "absent" in ran.stderr
    assert "clumsy 1.0" in ran.stderr
    assert "does not load" in ran.stderr


# Frames.


@pytest.mark.parametrize(
    ("frames", "numbers"),
    [
        ("1001", [1001]),
        ("1002-1004", [1002, 1003, 1004]),
        ("1001-1005x2", [1001, 1003, 1005]),
        ("1005,1001-1002", [1001, 1002, 1005]),
    ],
)
def test_only_the_frames_asked_for(frames, numbers, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 5)
    ran = run(capsys, "pull", hot, tmp_path / "out", *ACESCG[:-1], "--frames", frames, "--json")
    assert ran.code == 0
    record = document(ran)["quay"]["record"]
    assert [frame["number"] for frame in record["frames"]] == numbers
    there = {path.name for path in (tmp_path / "out").glob("*.exr")}
    assert there == {f"quay.{number}.exr" for number in numbers}


def test_keys_over_frames_are_linear_in_stops(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 5)
    arguments = ("--stops", "1001:-3,1005:-2", "--space", "ACEScg", "--jobs", "1", "--json")
    record = document(run(capsys, "pull", hot, tmp_path / "out", *arguments))["quay"]["record"]
    assert [frame["stops"] for frame in record["frames"]] == [-3.0, -2.75, -2.5, -2.25, -2.0]

"""Recipes with faults: every fault told, each with its file, line and key; nothing touched."""

from __future__ import annotations

import json

import pytest
from refusal import ACESCG, RECIPE, exr_plate, light, refused, write_recipe
from support import run, write_exr

from gradeprep.model.stops import LIMIT

PULL = "{pull: {stops: -1}}"


@pytest.fixture
def faulty(tmp_path, capsys):
    """Run a recipe over a good plate: it must be refused with these words."""
    exr_plate(tmp_path / "plate")

    def check(text: str, *says: str, code: int = 2):
        recipe = write_recipe(tmp_path, text)
        return refused(capsys, tmp_path, ("run", recipe, "--jobs", "1"), *says, code=code)

    return check


def stages(*written: str) -> str:
    return RECIPE.replace(f"[{PULL}]", f"[{', '.join(written)}]")


# Not a recipe at all.


@pytest.mark.parametrize("command", ["run", "plan"])
def test_missing_recipe(command, tmp_path, capsys):
    arguments = (command, tmp_path / "none.yaml")
    refused(capsys, tmp_path, arguments, "none.yaml", "there is no such recipe", code=2)


@pytest.mark.parametrize("command", ["run", "plan"])
def test_recipe_that_is_a_folder(command, tmp_path, capsys):
    refused(capsys, tmp_path, (command, tmp_path), str(tmp_path), "cannot be read", code=2)


@pytest.mark.parametrize("content", [b"\xff\xfeg\x00", b"gradeprep: 1\n# caf\xe9\n"])
def test_recipe_that_is_not_utf_8(content, tmp_path, capsys):
    path = tmp_path / "recipe.yaml"
    path.write_bytes(content)
    refused(capsys, tmp_path, ("run", path), "recipe.yaml", "is not UTF-8 text", code=2)


def test_picture_for_a_recipe(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light())
    refused(capsys, tmp_path, ("run", file), "quay.exr", "is not UTF-8 text", code=2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "a recipe is a mapping"),
        ("- pull", "a recipe is a mapping"),
        ("shots: {}", "the first key must say the recipe version"),
        ("gradeprep: 99", "version 99 is not known"),
        ("gradeprep: true", "version True is not known"),
        ("gradeprep: 1", "shots: missing"),
        ("gradeprep: 1\nshots: {}", "shots: must not be empty"),
        ("gradeprep: 1\nshots: [quay]", "shots: must be a mapping"),
        ("gradeprep: 1\ngradeprep: 1", "key 'gradeprep' is given twice"),
        ("gradeprep: [", "not YAML"),
        ("gradeprep: 1\nx: \t- a", "line 2: not YAML"),
        ("gradeprep: 1\nx: \x00", "not YAML"),
        ("gradeprep: 1\n? [a]\n: b", "a key must be plain text"),
        ("gradeprep: 1\nx: " + "9" * 5000, "line 2"),
    ],
    ids=lambda value: repr(value)[:24],
)
def test_text_that_is_no_recipe(text, says, faulty):
    faulty(text, "recipe.yaml", says)


def test_alias_bomb(faulty):
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    for before, name in zip("abcdefgh", "bcdefghi", strict=True):
        lines.append(f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]")
    faulty("\n".join(lines), "recipe.yaml", "aliases expand", "write it out")


def test_alias_that_holds_itself(faulty):
    faulty("gradeprep: 1\nx: &a [*a]", "recipe.yaml: line 2", "aliases expand")


def test_nesting_bomb(faulty):
    faulty("[" * 10_000, "recipe.yaml: line 1", "nested deeper than")


def test_python_tag_is_not_run(faulty, tmp_path):
    owned = tmp_path / "owned"
    text = f"gradeprep: 1\nx: !!python/object/apply:os.system ['touch {owned}']\n"
    faulty(text, "recipe.yaml: line 2", "tag", "is not plain data", "remove it")
    assert not owned.exists()


# Keys and values.


@pytest.mark.parametrize(
    ("line", "instead", "says"),
    [
        ("  space: ACEScg", "  spice: ACEScg", "defaults.spice: unknown key 'spice'; did you mean"),
        ("shots:", "shoots:\nshots:", "shoots: unknown key 'shoots'; did you mean shots?"),
        ("stops: -1", "stopps: -1", "defaults.stages[0].pull.stopps: unknown key 'stopps'"),
        ("plate: plate}", "plait: plate}", "shots.quay.plait: unknown key 'plait'"),
        ("output: {plate", "output: {pate", "defaults.output.pate: unknown key 'pate'"),
    ],
    ids=lambda value: value[:20].strip(),
)
def test_unknown_key_names_the_nearest(line, instead, says, faulty):
    faulty(RECIPE.replace(line, instead, 1), "recipe.yaml: line ", says, "did you mean")


@pytest.mark.parametrize(
    ("line", "instead", "says"),
    [
        ("space: ACEScg", "space: 5", "defaults.space: must be text, not 5"),
        ("space: ACEScg", "space: [ACEScg]", "defaults.space: must be text"),
        ("space: ACEScg", "allow_pulled: perhaps", "defaults.allow_pulled: must be true or false"),
        (f"stages: [{PULL}]", f"stages: {PULL}", "defaults.stages: must be a list"),
        (f"[{PULL}]", "[pull]", "defaults.stages[0]: must be a mapping of keys, not 'pull'"),
        (f"[{PULL}]", "[{pull: -1}]", "defaults.stages[0].pull: must be a mapping of keys, not -1"),
        (f"[{PULL}]", f"[{PULL[:-1]}, lift: {{stops: 1}}}}]", "a stage is one key"),
        ("plate: plate}", "plate: plate, frames: x}", "shots.quay.frames: 'x' is no frame"),
        ("plate: plate}", "plate: plate, frames: 9-1e9}", "shots.quay.frames"),
        ("plate: plate}", "plate: plate, frames: 1-9999999999}", "1,000,000"),
        ("{plate: plate}", "", "shots.quay: must be a mapping of keys"),
        ("{plate: plate}", "{}", "shots.quay: say which plate"),
        ("  output:", "  # output:", "shots.quay: say where to write"),
        ("output: {", "output: {type: octal, ", "defaults.output.type: input should be 'source'"),
    ],
    ids=lambda value: value[:24].strip(),
)
def test_value_of_a_wrong_kind(line, instead, says, faulty):
    faulty(RECIPE.replace(line, instead, 1), "recipe.yaml: line ", says)


def test_two_faults_are_both_told(faulty):
    text = RECIPE.replace("space: ACEScg", "space: 5\n  odrer: as-written")
    ran = faulty(text, "recipe.yaml: line 3: defaults.space: must be text")
    assert (
        "recipe.yaml: line 4: defaults.odrer: unknown key 'odrer'; did you mean order?" in ran.err
    )
    assert len(ran.err.splitlines()) == 2


def test_faults_in_two_shots_are_both_told(faulty):
    ran = faulty(
        f"{RECIPE}  loft: {{plate: loft, allow_pulled: 7}}\n  ' ': {{}}\n",
        "shots.loft.allow_pulled",
    )
    assert len(ran.err.splitlines()) >= 1


# Stops.


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ("nan", "nan is not a number of stops"),
        ("inf", "inf is not a number of stops"),
        ("-inf", "-inf is not a number of stops"),
        ("1e9", "1e+09 stops is beyond +-40"),
        (str(LIMIT + 1), "41 stops is beyond +-40"),
        ("much", "'much' is not a number of stops"),
        ("1001:nan", "nan is not a number of stops"),
        ("1001:-1,much", "'much' is not a key"),
        ("1.5:2", "'1.5:2' is not a number of stops"),
    ],
)
def test_stops_on_the_command_line(told, says, tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light())
    arguments = ("pull", file, tmp_path / "out", "--space", "ACEScg", "--stops", told)
    refused(capsys, tmp_path, arguments, "Error: Invalid value for '--stops'", says, code=2)


@pytest.mark.parametrize(
    ("told", "says"),
    [
        (".nan", "nan is not a number of stops"),
        (".inf", "inf is not a number of stops"),
        ("1e9", "1e+09 stops is beyond +-40"),
        ("true", "is not a number of stops"),
        ("'-1'", "'-1' is not a number of stops"),
        ("[1, 2]", "is not a number of stops"),
        ("{}", "give at least one key"),
        ("{1001: .nan}", "nan is not a number of stops"),
        ("{first: -1}", "'first' is not a frame number"),
    ],
)
def test_stops_in_a_recipe(told, says, faulty):
    where = "recipe.yaml: line 4: defaults.stages[0].pull.stops"
    faulty(RECIPE.replace("stops: -1", f"stops: {told}"), where, says)


# The lift.


@pytest.mark.parametrize(("stops", "softness", "needed"), [(3, 3, "6"), (1.5, 2, "3"), (1, 1, "2")])
def test_lift_too_steep_names_the_softness_it_needs(stops, softness, needed, faulty):
    """1 - 1.875 * stops / softness must be 1/16 or more: softness twice the stops."""
    lift = f"{{lift: {{stops: {stops}, softness: {softness}}}}}"
    says = ("defaults.stages[0].lift", "too steep", f"softness must be at least {needed}")
    faulty(stages(lift, PULL), *says)


def test_lift_too_steep_on_the_command_line(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light())
    arguments = ("pull", file, tmp_path / "out", *ACESCG, "--lift", "2")
    says = ("lift", "too steep", "softness must be at least 4")
    refused(capsys, tmp_path, arguments, *says, code=2)
    assert run(capsys, *arguments, "--softness", "4").code == 0


def test_lift_of_no_softness(faulty):
    faulty(stages("{lift: {stops: 1, softness: 0}}", PULL), "softness is 0; it must be above 0")


def test_curve_without_a_lift(tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light())
    arguments = ("pull", file, tmp_path / "out", *ACESCG, "--below", "-2")
    says = ("below and softness shape a lift", "say lift as well")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_lift_after_the_pull_says_why_not(faulty):
    text = stages(PULL, "{lift: {stops: 1}}")
    says = ("quay: stages: lift comes after pull", "move lift before", "order: as-written")
    faulty(text, *says)


def test_lift_after_the_pull_where_it_is_meant(tmp_path, capsys):
    exr_plate(tmp_path / "plate")
    text = stages(PULL, "{lift: {stops: 1}}").replace("  stages", "  order: as-written\n  stages")
    assert run(capsys, "run", write_recipe(tmp_path, text), "--jobs", "1").code == 0
    told = json.loads((tmp_path / "out" / "quay" / "quay.stops.json").read_text(encoding="utf-8"))
    assert [stage["stage"] for stage in told["frames"][0]["stages"]] == ["pull", "lift"]


# Plugins.


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (stages("{pul: {stops: -1}}"), "defaults.stages[0].pul: no stage is called 'pul'"),
        (
            stages("{pull: {stops: {meter: grey_cart}}}"),
            "defaults.stages[0].pull.stops.meter: no meter is called 'grey_cart'",
        ),
        (
            RECIPE.replace("  space", "  checks: {pixel: {}}\n  space"),
            "defaults.checks.pixel: no check is called 'pixel'",
        ),
    ],
    ids=["stage", "meter", "check"],
)
def test_unknown_plugin_names_the_nearest(text, says, faulty):
    faulty(text, "recipe.yaml: line ", says, "did you mean")


def test_meter_without_what_it_needs(faulty):
    text = stages("{pull: {stops: {meter: grey_card}}}")
    faulty(text, "defaults.stages[0].pull.stops.region: missing")


def grey_card(region: str, more: str = "") -> str:
    return stages(
        f"{{pull: {{stops: {{meter: grey_card, region: {region}, max_gradient: 99{more}}}}}}}"
    )


@pytest.mark.parametrize(
    "region", ["[0, 0, 17, 12]", "[10, 4, 8, 4]", "[-1, 0, 8, 8]", "[0, 0, 9000, 8]"]
)
def test_region_outside_the_picture(region, faulty):
    says = ("quay: meter grey_card", region, "reaches out of the picture", "16 x 12")
    faulty(grey_card(region), *says)


@pytest.mark.parametrize("region", ["[0, 0, 0, 8]", "[0, 0, -4, 4]", "[.nan, 0, 4, 4]"])
def test_region_that_is_no_place(region, faulty):
    faulty(grey_card(region), "quay: meter grey_card", "region", "x, y, width, height")


def test_region_of_too_few_numbers(faulty):
    faulty(grey_card("[0, 0]"), "recipe.yaml: line 4: defaults.stages[0].pull.stops.region")


def test_meter_on_a_frame_that_is_not_there(faulty):
    faulty(
        grey_card("[0, 0, 8, 8]", ", frame: 9"), "quay: meter grey_card", "no frame 9", "1001-1003"
    )


def reference(shot: str) -> str:
    ask = f"{{meter: reference, shot: {shot}, region: [0, 0, 16, 12], max_gradient: 99}}"
    return f"{{pull: {{stops: {ask}}}}}"


def test_reference_that_is_no_shot(faulty):
    faulty(stages(reference("loft")), "quay: meter reference", "no shot 'loft'", "it has quay")


def test_reference_to_itself(faulty):
    faulty(stages(reference("quay")), "quay: meter reference", "its own reference")


@pytest.mark.parametrize("length", [2, 3])
def test_references_in_a_circle(length, faulty):
    names = [f"shot{index}" for index in range(length)]
    shots = "".join(
        f"  {name}: {{plate: plate, stages: [{reference(names[(index + 1) % length])}]}}\n"
        for index, name in enumerate(names)
    )
    text = RECIPE.replace("  quay: {plate: plate}\n", shots)
    faulty(text, "stages", "circular reference", "give one of them its stops as a number")


# Names.


@pytest.mark.parametrize(
    "name", ["../quay", "/quay", "quay/0100", ".quay", "-quay", "", "a b", "a:b", "q\\\\y", "a\\n"]
)
def test_shot_name_that_is_no_file_name(name, faulty):
    text = RECIPE.replace("  quay:", f'  "{name}":')
    faulty(text, "recipe.yaml: line 7", "a shot's name becomes a file name; use letters")


def test_shot_name_that_is_a_number(faulty):
    faulty(RECIPE.replace("  quay:", "  100:"), "recipe.yaml: line 7", "must be text")


def test_shot_that_the_recipe_does_not_have(tmp_path, capsys):
    exr_plate(tmp_path / "plate")
    arguments = ("run", write_recipe(tmp_path), "--shot", "quai")
    refused(capsys, tmp_path, arguments, "--shot", "no shot 'quai'", "it has quay", code=2)

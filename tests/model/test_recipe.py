"""The recipe: what it may ask, and that every fault is told with its key and its line."""

from __future__ import annotations

import json
from collections import UserDict

import jsonschema
import pytest
from pydantic import BaseModel, ConfigDict

from gradeprep.checks.pixels import PixelsParams
from gradeprep.errors import Fault, PluginError, RecipeError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.lines import Lines
from gradeprep.model.recipe import Kinds, build_recipe
from gradeprep.model.recipeschema import recipe_schema
from gradeprep.model.yamltext import parse_yaml
from gradeprep.stages.balance import BalanceParams
from gradeprep.stages.lift import LiftParams
from gradeprep.stages.pull import PullParams

EXAMPLE = """\
gradeprep: 1                       # recipe version, read first
colour: {config: "ocio://studio-config-latest", working: scene_linear}
defaults:
  space: ACEScct
  stages:
    - lift: {stops: 1.0, below: -3.0, softness: 3.0}
    - pull: {stops: -3.0}
  checks: {pixels: {on: fail}}
  output: {plate: "out/{shot}/{shot}.####.exr", space: source, type: source, compression: source}
shots:
  quay_0100: {plate: "plates/quay_0100.####.exr", frames: 1001-1048}
  quay_0110:
    plate: "plates/quay_0110.####.exr"
    stages: [{pull: {stops: {meter: reference, shot: quay_0100, region: [10, 10, 64, 64]}}}]
    checks: {pixels: {max_negative: 0.1}}
    output: {compression: piz}
  quay_0120: {plate: "plates/quay_0120.####.exr", stages: [{pull: {stops: {1001: -3, 1048: -2.5}}}]}
"""


class CardParams(BaseModel):
    """Parameters of a meter; of those that are installed, a recipe test knows none."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    region: tuple[float, float, float, float]
    frame: int | None = None
    shot: str = ""


KINDS = Kinds(
    stages={"pull": PullParams, "lift": LiftParams, "balance": BalanceParams},
    meters={"grey_card": CardParams, "reference": CardParams},
    checks={"pixels": PixelsParams},
    compressions=lambda: ("none", "zip", "piz"),
)


def build(text: str):
    data, lines = parse_yaml(text)
    return build_recipe(data, KINDS, lines=lines)


def test_defaults_stand_under_every_shot():
    recipe = build(EXAMPLE)
    assert list(recipe.shots) == ["quay_0100", "quay_0110", "quay_0120"]
    first, second, third = recipe.shots.values()
    assert [ask.stage for ask in first.stages] == ["lift", "pull"]
    assert first.frames == FrameRange.parse("1001-1048")
    assert first.space == second.space == "ACEScct"
    assert first.checks["pixels"].on == "fail"
    # a list is replaced whole, output key by key, a check by its whole parameters
    assert [ask.stage for ask in second.stages] == ["pull"]
    assert second.output.compression == "piz"
    assert second.output.plate == first.output.plate == "out/{shot}/{shot}.####.exr"
    assert (second.checks["pixels"].on, second.checks["pixels"].max_negative) == ("warn", 0.1)
    assert second.stages[0].params.stops.params == {
        "shot": "quay_0100",
        "region": [10, 10, 64, 64],
    }
    assert third.stages[0].params.stops.stops(1048) == -2.5


def test_a_shots_own_word_wins_even_where_it_says_the_usual():
    text = (
        "gradeprep: 1\n"
        "defaults: {any_space: true, nonfinite: fail, stages: [{pull: {stops: 1}}],"
        " output: {plate: o.####.exr, type: half}}\n"
        "shots:\n"
        "  a: {plate: a.####.exr}\n"
        "  b: {plate: b.####.exr, any_space: false, nonfinite: keep, stages: [],"
        " output: {type: source}}\n"
    )
    a, b = build(text).shots.values()
    assert (a.any_space, a.nonfinite, len(a.stages), a.output.type) == (True, "fail", 1, "half")
    assert (b.any_space, b.nonfinite, len(b.stages), b.output.type) == (
        False,
        "keep",
        0,
        "source",
    )


HEAD = 'gradeprep: 1\ndefaults: {output: {plate: "o/{shot}.####.exr"}}\nshots:\n'
SHOT = HEAD + "  a:\n    plate: a.####.exr\n"
REGION = "region: [0, 0, 9, 9]"


def stage(text: str) -> str:
    return f"{SHOT}    stages:\n      - {text}\n"


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["line 1: a recipe is a mapping; start with 'gradeprep: 1'"]),
        ("- a", ["line 1: a recipe is a mapping; start with 'gradeprep: 1'"]),
        (
            "\nshots: {}",
            ["line 2: gradeprep: the first key must say the recipe version: 'gradeprep: 1'"],
        ),
        (
            "shots: {}\ngradeprep: 2",
            ["line 2: gradeprep: recipe version 2 is not known; this is version 1"],
        ),
        (
            "gradeprep: true",
            ["line 1: gradeprep: recipe version True is not known; this is version 1"],
        ),
        ("gradeprep: 1", ["line 1: shots: missing"]),
        ("gradeprep: 1\nshots:", ["line 2: shots: must be a mapping of keys, not empty"]),
        ("gradeprep: 1\nshots: {}", ["line 2: shots: must not be empty"]),
        (HEAD + "  a:", ["line 4: shots.a: must be a mapping of keys, not empty"]),
        (HEAD + "  7: {}", ["line 4: shots.7: must be text, not 7"]),
        (
            HEAD + "  a: {}",
            ["line 4: shots.a: say which plate: 'plate: folder/name.####.exr'"],
        ),
        (
            "gradeprep: 1\nshots:\n  a: {plate: p}",
            ["line 3: shots.a: say where to write: 'output: {plate: out/{shot}/{shot}.####.exr}'"],
        ),
        (
            HEAD + "  a/b: {plate: p}",
            [
                "line 4: shots.a/b: a shot's name becomes a file name; use letters, digits, "
                "'_', '-' and '.', 150 bytes at most"
            ],
        ),
        (
            SHOT + "    ouput: {}",
            ["line 6: shots.a.ouput: unknown key 'ouput'; did you mean output?"],
        ),
        (
            "color: {}\n" + SHOT,
            ["line 1: color: unknown key 'color'; did you mean colour?"],
        ),
        (
            HEAD + "  output: {plate: p, fram: 1}",  # a shot may be called like a key
            ["line 4: shots.output.fram: unknown key 'fram'; did you mean frames?"],
        ),
        (
            SHOT + "    output: {typ: half}",
            ["line 6: shots.a.output.typ: unknown key 'typ'; did you mean type?"],
        ),
        (
            SHOT + "    output: {type: uint9}",
            [
                "line 6: shots.a.output.type: input should be 'source', 'half', 'float', "
                "'uint8', 'uint10', 'uint12' or 'uint16', not 'uint9'"
            ],
        ),
        (
            SHOT + "    nonfinite: drop",
            ["line 6: shots.a.nonfinite: input should be 'keep' or 'fail', not 'drop'"],
        ),
        (
            SHOT + "    carried: {gain: .nan}",
            ["line 6: shots.a.carried: must be plain data of finite numbers"],
        ),
        (
            SHOT + "    allow_pulled: perhaps",
            ["line 6: shots.a.allow_pulled: must be true or false, not 'perhaps'"],
        ),
        (SHOT + "    frames: 9-1", ["line 6: shots.a.frames: '9-1' runs backwards; write 1-9"]),
        (
            SHOT + "    frames: [1]",
            [
                "line 6: shots.a.frames: '[1]' is not a frame range; write for example "
                "1001-1048 or 1001"
            ],
        ),
        (SHOT + "    layers: diffuse", ["line 6: shots.a.layers: must be a list, not 'diffuse'"]),
        (SHOT + "    space: 709", ["line 6: shots.a.space: must be text, not 709"]),
        (
            SHOT + "    checks: [pixels]",
            ["line 6: shots.a.checks: must be a mapping of keys, not ['pixels']"],
        ),
        (
            SHOT + "    checks: {pixles: {}}",
            ["line 6: shots.a.checks.pixles: no check is called 'pixles'; did you mean pixels?"],
        ),
        (
            SHOT + "    checks:\n      pixels: {max_negative: 2}",
            [
                "line 7: shots.a.checks.pixels.max_negative: input should be less than or equal "
                "to 1, not '2'"
            ],
        ),
        (
            SHOT + "    stages: {pull: 1}",
            ["line 6: shots.a.stages: must be a list, not {'pull': 1}"],
        ),
        (stage("pull"), ["line 7: shots.a.stages[0]: must be a mapping of keys, not 'pull'"]),
        (
            stage("{pull: {stops: 1}, lift: {stops: 1}}"),
            [
                "line 7: shots.a.stages[0]: a stage is one key with its parameters: "
                "'- pull: {stops: -3}'"
            ],
        ),
        (stage("pull:"), ["line 7: shots.a.stages[0].pull.stops: missing"]),
        (stage("pull: 0"), ["line 7: shots.a.stages[0].pull: must be a mapping of keys, not 0"]),
        (
            stage("pul: {stops: 1}"),
            ["line 7: shots.a.stages[0].pul: no stage is called 'pul'; did you mean pull?"],
        ),
        (
            stage("zz: {stops: 1}"),
            ["line 7: shots.a.stages[0].zz: no stage is called 'zz'; known: balance, lift, pull"],
        ),
        (
            stage("pull: {stops: dark}"),
            ["line 7: shots.a.stages[0].pull.stops: 'dark' is not a number of stops"],
        ),
        (
            stage("pull:\n          stops: {meter: gray_card}"),
            [
                "line 8: shots.a.stages[0].pull.stops.meter: no meter is called 'gray_card'; "
                "did you mean grey_card?"
            ],
        ),
        (
            stage("pull: {stops: {meter: grey_card, region: [0, 0, 9, x]}}"),
            ["line 7: shots.a.stages[0].pull.stops.region.3: must be a number, not 'x'"],
        ),
        (
            stage(f"pull: {{stops: {{meter: grey_card, {REGION}, frame: 1.5}}}}"),
            ["line 7: shots.a.stages[0].pull.stops.frame: must be a whole number, not 1.5"],
        ),
        (
            stage(f"balance: {{stops: {{meter: grey_card, {REGION}, 7: 8}}}}"),
            [
                "line 7: shots.a.stages[0].balance.stops.7: unknown key '7'; "
                "known: frame, region, shot"
            ],
        ),
        (
            stage("balance: {stops: [1, 2]}"),
            [
                "line 7: shots.a.stages[0].balance.stops: give three numbers of stops, "
                "for R, G and B: [0.1, 0.0, -0.2]"
            ],
        ),
        (
            stage("lift: {stops: 3, softness: 3}"),
            [
                "line 7: shots.a.stages[0].lift: a lift of 3 stops over a softness of 3 is too "
                "steep: it would flatten the shadows; softness must be at least 6"
            ],
        ),
        # several at once, in the order of the text, each once
        (
            SHOT + "    ouput: {}\n    nonfinite: drop",
            [
                "line 6: shots.a.ouput: unknown key 'ouput'; did you mean output?",
                "line 7: shots.a.nonfinite: input should be 'keep' or 'fail', not 'drop'",
            ],
        ),
        (
            "gradeprep: 1\nshots:\n  a: {plate: p}\n  b: {plate: q}\n"
            "defaults:\n  output: {plate: o}\n  checks: {x: {}}\n  stages:\n  - y: {}\n",
            [
                "line 7: defaults.checks.x: no check is called 'x'; known: pixels",
                "line 9: defaults.stages[0].y: no stage is called 'y'; known: balance, lift, pull",
            ],
        ),
    ],
)
def test_refuses(text, faults):
    with pytest.raises(RecipeError) as caught:
        build(text)
    assert str(caught.value).splitlines() == faults


def test_a_fault_is_an_object_too():
    with pytest.raises(RecipeError) as caught:
        build_recipe({"gradeprep": 1, "shot": {}}, KINDS, lines=Lines(), file="r.yaml")
    assert caught.value.faults == (
        Fault("shot", None, "unknown key 'shot'; did you mean shots?"),
        Fault("shots", None, "missing"),
    )
    assert str(caught.value).splitlines()[1] == "r.yaml: shots: missing"


def test_the_schema_is_one_and_takes_the_example():
    schema = recipe_schema(KINDS)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(as_json(EXAMPLE), schema)


@pytest.mark.parametrize(
    "wrong",
    [
        EXAMPLE.replace("gradeprep: 1 ", "gradeprep: 2 "),
        EXAMPLE.replace("- pull:", "- pul:"),
        EXAMPLE.replace("stops: -3.0", "stop: -3.0"),
        EXAMPLE.replace("stops: -3.0", "stops: -99"),
        EXAMPLE.replace("1048: -2.5", "last: -2.5"),
        EXAMPLE.replace("type: source", "type: uint9"),
        EXAMPLE.replace("pixels: {on", "pixles: {on"),
        EXAMPLE.replace("on: fail", "on: explode"),
        EXAMPLE.replace("space: ACEScct", "spaces: ACEScct"),
    ],
)
def test_the_schema_and_the_model_refuse_alike(wrong):
    assert wrong != EXAMPLE
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(wrong), recipe_schema(KINDS))
    with pytest.raises(RecipeError):
        build(wrong)


def as_json(text: str):
    """The recipe as an editor's validator sees it: every key is text."""
    return json.loads(json.dumps(parse_yaml(text)[0]))


def test_what_is_carried_is_kept_as_it_is():
    (shot,) = build(SHOT + "    carried: {clip: [1, {tape: '089'}]}").shots.values()
    assert shot.carried == {"clip": [1, {"tape": "089"}]}


class Side(BaseModel, extra="forbid"):
    """A part of parameters, as a plugin may have them."""

    width: float = 1.0


class FrameParams(BaseModel, extra="forbid"):
    """Parameters in parameters: one, a list, names to one, and a choice."""

    side: Side = Side()
    sides: tuple[Side, ...] = ()
    named: dict[str, Side] = {}
    either: Side | float = 1.0
    amount: float = 0.0


def test_faults_inside_parameters_are_told_all_at_once_whatever_else_is_wrong():
    text = """\
gradeprep: 1
shot: {}
shots:
  a:
    plate: p
    stages:
      - frame: {side: {witdh: 3}, amuont: 1}
      - frame:
          sides:
            - {width: 1}
            - {width: wide}
          named:
            side: {widht: 2}
          either: {wdth: 3}
    checks: {frame: {amount: much}, frmae: {}}
  b: {stages: [{pull: {stops: {meter: grey_card, regoin: [0, 0, 1, 1]}}}], frames: [1]}
"""
    data, lines = parse_yaml(text)
    kinds = Kinds(
        stages={"frame": FrameParams, "pull": PullParams},
        meters=KINDS.meters,
        checks={"frame": FrameParams},
    )
    with pytest.raises(RecipeError) as caught:
        build_recipe(data, kinds, lines=lines)
    assert str(caught.value).splitlines() == [
        "line 2: shot: unknown key 'shot'; did you mean shots?",
        "line 7: shots.a.stages[0].frame.amuont: unknown key 'amuont'; did you mean amount?",
        "line 7: shots.a.stages[0].frame.side.witdh: unknown key 'witdh'; did you mean width?",
        "line 11: shots.a.stages[1].frame.sides.1.width: must be a number, not 'wide'",
        "line 13: shots.a.stages[1].frame.named.side.widht: unknown key 'widht'; "
        "did you mean width?",
        "line 14: shots.a.stages[1].frame.either: must be a number, not {'wdth': 3}",
        "line 14: shots.a.stages[1].frame.either.wdth: unknown key 'wdth'; did you mean width?",
        "line 15: shots.a.checks.frame.amount: must be a number, not 'much'",
        "line 15: shots.a.checks.frmae: no check is called 'frmae'; did you mean frame?",
        "line 16: shots.b.frames: '[1]' is not a frame range; write for example 1001-1048 or 1001",
        "line 16: shots.b.stages[0].pull.stops.region: missing",
        "line 16: shots.b.stages[0].pull.stops.regoin: unknown key 'regoin'; did you mean region?",
    ]


class Broken(UserDict):
    """Models of plugins, of which one does not load."""

    def __getitem__(self, name):
        if name == "broken":
            raise PluginError("does not load", remedy="update it")
        return super().__getitem__(name)


def test_a_plugin_that_does_not_load_is_a_fault_where_it_is_asked_for():
    kinds = Kinds(stages=Broken(broken=None, pull=PullParams))
    data, lines = parse_yaml(SHOT + "    stages: [{pull: {stops: 1}}, {broken: {}}]")
    with pytest.raises(RecipeError) as caught:
        build_recipe(data, kinds, lines=lines)
    (fault,) = caught.value.faults
    assert fault.what == "does not load; update it"
    assert fault.line is not None
    schema = recipe_schema(kinds)["$defs"]["ShotSettings"]["properties"]["stages"]
    assert list(schema["items"]["properties"]) == ["pull"]


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("meter: reference", "meter: refrence"),
        ("region: [10, 10, 64, 64]", "regoin: [10, 10, 64, 64]"),
        ("region: [10, 10, 64, 64]", "frame: 1001"),
        ("region: [10, 10, 64, 64]", "region: [10, 10]"),
    ],
)
def test_the_schema_knows_what_each_meter_takes(right, wrong):
    schema = recipe_schema(KINDS)
    jsonschema.validate(as_json(EXAMPLE.replace("{meter", "{per_frame: true, meter")), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(EXAMPLE.replace(right, wrong)), schema)
    with pytest.raises(RecipeError):
        build(EXAMPLE.replace(right, wrong))


def test_definitions_of_two_plugins_do_not_mix():
    class Side(BaseModel, extra="forbid"):
        height: int = 1

    class Other(BaseModel, extra="forbid"):
        side: Side = Side()

    schema = recipe_schema(Kinds(stages={"frame": FrameParams, "other": Other}))
    jsonschema.Draft202012Validator.check_schema(schema)
    one = SHOT + "    stages: [{frame: {side: {width: 1}}}, {other: {side: {height: 1}}}]"
    jsonschema.validate(as_json(one), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(one.replace("{height", "{width")), schema)


def test_the_schema_takes_a_name_alone_where_nothing_is_needed():
    schema = recipe_schema(KINDS)
    jsonschema.validate(as_json(SHOT + "    checks: {pixels: }"), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(as_json(SHOT + "    stages: [pull: ]"), schema)

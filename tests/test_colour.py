"""Colour: which config serves, what is refused and in which words, primaries and luminance."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from harbour import HARBOUR, converted, harbour_with, space_text
from support import run, write_exr

import gradeprep
from gradeprep import colour
from gradeprep.colour import BUILT_IN, choose_config
from gradeprep.errors import ColourError

MISSING_LUT = space_text("Torn", to_reference="!<FileTransform> {src: torn.spi1d}")
BY_SHOT = space_text("By Shot", to_reference="!<FileTransform> {src: '${SHOT}.spi1d'}")
UNSAID = space_text("Unsaid", encoding="", to_reference="!<LogTransform> {direction: inverse}")


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OCIO", raising=False)
    monkeypatch.delenv("SHOT", raising=False)


@pytest.fixture(scope="module")
def harbour() -> colour.Colour:
    return colour.load(str(HARBOUR))


@pytest.fixture(scope="module")
def studio() -> colour.Colour:
    return colour.load(BUILT_IN)


# ---------------------------------------------------------------- which config serves


@pytest.mark.parametrize(
    ("recipe", "option", "environment", "chosen"),
    [
        ("r", "o", "e", ("r", "recipe")),
        (None, "o", "e", ("o", "--config")),
        (None, None, "e", ("e", "$OCIO")),
        (None, None, "", (BUILT_IN, "built-in")),
        (None, None, None, (BUILT_IN, "built-in")),
        ("", "", "e", ("e", "$OCIO")),
    ],
)
def test_the_recipe_wins_over_the_option_over_the_environment(
    recipe, option, environment, chosen, monkeypatch
):
    if environment is not None:
        monkeypatch.setenv("OCIO", environment)
    assert choose_config(recipe, option) == chosen


def test_the_plan_says_which_config_and_who_named_it(tmp_path, capsys, monkeypatch):
    write_exr(tmp_path / "a.exr", {c: np.full((2, 2), 0.5, np.float16) for c in "RGB"})
    recipe = tmp_path / "r.yaml"
    text = (
        "gradeprep: 1\n{colour}shots:\n  a: {{plate: a.exr, space: ACEScg, "
        "stages: [{{pull: {{stops: -1}}}}], output: {{plate: out/a.exr}}}}\n"
    )
    mine = harbour_with(tmp_path / "mine.ocio")
    theirs = harbour_with(tmp_path / "theirs.ocio")

    def told(*extra: object) -> str:
        ran = run(capsys, "plan", recipe, *extra)
        assert ran.code == 0, ran
        return ran.out.splitlines()[0]

    recipe.write_text(text.format(colour=""))
    assert told().endswith("(built-in)")
    monkeypatch.setenv("OCIO", str(theirs))
    assert told().endswith(f"{theirs} ($OCIO)")
    assert told("--config", HARBOUR).endswith(f"{HARBOUR} (--config)")
    recipe.write_text(text.format(colour="colour: {config: mine.ocio}\n"))
    assert told("--config", HARBOUR).endswith(f"{mine} (recipe)")


def test_a_config_is_parsed_once_and_never_changes(harbour):
    assert colour.load(str(HARBOUR)) is harbour
    before = harbour.sha256
    harbour.convert("ACEScct", "ACEScg")
    assert re.fullmatch(r"[0-9a-f]{64}", before)
    assert harbour.sha256 == before


def test_the_hash_is_of_what_the_config_says_not_of_where_it_lies(tmp_path, harbour):
    same = colour.load(str(harbour_with(tmp_path / "same.ocio")))
    other = colour.load(str(harbour_with(tmp_path / "other.ocio", UNSAID)))
    assert same.sha256 == harbour.sha256
    assert other.sha256 != harbour.sha256
    assert same.name == str(tmp_path / "same.ocio")


def test_the_built_in_config_is_told_by_its_full_name(studio):
    """`latest` is another config tomorrow, so a record names the one that served."""
    assert re.fullmatch(r"ocio://studio-config-v[\d.]+_aces-v[\d.]+_ocio-v[\d.]+", studio.name)
    assert colour.load(studio.name).sha256 == studio.sha256


# ---------------------------------------------------------------- configs that do not load


def test_a_missing_config_is_named(tmp_path):
    with pytest.raises(ColourError, match=r"gone\.ocio: there is no such OpenColorIO config; give"):
        colour.load(str(tmp_path / "gone.ocio"))


def test_an_unknown_built_in_config_is_named():
    with pytest.raises(ColourError, match=r"ocio://no-such-config: the config does not load"):
        colour.load("ocio://no-such-config")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "does not load"),
        ("hello: harbour\n", "valid version"),
        ("ocio_profile_version: [\n", "does not load"),
        ("ocio_profile_version: 9\n", "not able to load that config version"),
    ],
)
def test_a_broken_config_is_told_in_one_line(tmp_path, text, words):
    path = tmp_path / "broken.ocio"
    path.write_text(text)
    with pytest.raises(ColourError, match=words) as caught:
        colour.load(str(path))
    assert str(caught.value).startswith(f"{path}: the config does not load")
    assert "\n" not in str(caught.value)


def test_a_config_that_parses_but_is_not_valid_is_refused(tmp_path):
    path = harbour_with(tmp_path / "c.ocio", active_views="[Nowhere]")
    text = path.read_text().replace("display_colorspace: sRGB - Display", "display_colorspace: No")
    path.write_text(text)
    with pytest.raises(ColourError, match="does not load"):
        colour.load(str(path))


def test_a_config_with_no_scene_linear_role_lists_the_spaces_that_would_do(tmp_path):
    text = HARBOUR.read_text().replace("  scene_linear: ACEScg\n", "")
    path = tmp_path / "c.ocio"
    path.write_text(text)
    with pytest.raises(
        ColourError, match=r"no space or role 'scene_linear'; its scene-linear .*'ACEScg'"
    ):
        colour.load(str(path)).guard_working("scene_linear")


def test_a_config_of_the_newest_profile_serves_a_whole_run(tmp_path, capsys):
    """OpenColorIO profile 2.6: what another library's older engine drops without an error."""
    config = harbour_with(tmp_path / "c.ocio", ocio_profile_version="2.6")
    planes = {c: np.full((2, 3), 0.5, np.float32) for c in "RGB"}
    write_exr(tmp_path / "a.exr", planes)
    ran = run(
        capsys, "pull", tmp_path / "a.exr", tmp_path / "out/b.exr",
        "--stops", -1, "--space", "Quay Log", "--config", config,
    )  # fmt: skip
    assert ran.code == 0, ran
    found = OpenEXR.File(str(tmp_path / "out/b.exr"), separate_channels=True).channels()
    half_light = (2.0 ** (16 * 0.5 - 6) - 2.0**-6) / 2
    code = (np.log2(half_light + 2.0**-6) + 6) / 16
    np.testing.assert_allclose(found["G"].pixels, code, atol=1e-6)


# ---------------------------------------------------------------- spaces by name


def test_roles_aliases_and_case_lead_to_one_name(harbour):
    assert {harbour.space(n) for n in ("ACEScg", "acescg", "lin_ap1", "scene_linear")} == {"ACEScg"}


def test_an_unknown_space_lists_close_matches(harbour):
    with pytest.raises(ColourError, match=r"no space or role 'ACEScd'; did you mean .*'ACEScc'"):
        harbour.space("ACEScd")
    with pytest.raises(ColourError, match=r"space: config .* did you mean 'Linear Rec\.709'"):
        harbour.guard_plate("rec.709", any_space=False, key="space")


def test_a_space_like_nothing_here_lists_what_there_is(harbour):
    with pytest.raises(ColourError, match=r"it has .*'ACES2065-1', 'ACEScg'"):
        harbour.space("zzzzzzzz")


def test_spaces_by_encoding(harbour):
    assert set(harbour.with_encoding("log")) == {"ACEScct", "ACEScc", "Film Log", "Quay Log"}
    assert set(harbour.with_encoding("scene-linear")) == {
        "ACES2065-1",
        "ACEScg",
        "Linear Rec.709",
    }


# ---------------------------------------------------------------- what is no light


@pytest.mark.parametrize(
    ("space", "why"),
    [
        ("Raw", "is data, not light"),
        ("sRGB - Display", "is a display's space"),
        ("CIE-XYZ-D65", "is a display's space"),
        ("Graded", r"is display-referred \(encoding sdr-video\)"),
        ("Unsaid", "does not say its encoding"),
    ],
)
def test_what_is_no_scene_light_is_refused_unless_insisted_on(tmp_path, space, why):
    graded = space_text("Graded", encoding="sdr-video", to_reference="!<LogTransform> {base: 2}")
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", graded, UNSAID)))
    with pytest.raises(ColourError, match=rf"^space: '{space}' {why}.*any_space$"):
        config.guard_plate(space, any_space=False, key="space")
    assert config.guard_plate(space, any_space=True, key="space") == space


@pytest.mark.parametrize("space", ["ACEScg", "Film Log", "ACES2065-1", "Quay Log"])
def test_scene_light_is_taken(harbour, space):
    assert harbour.guard_plate(space, any_space=False, key="space") == space


def test_an_unsaid_encoding_is_no_matter_where_the_transform_proves_the_light(tmp_path):
    plain = space_text("Plain", encoding="", to_reference="!<MatrixTransform> {}")
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", plain)))
    assert config.guard_plate("Plain", any_space=False, key="space") == "Plain"


def test_any_space_does_not_help_an_unknown_space(harbour):
    with pytest.raises(ColourError, match="no space or role"):
        harbour.guard_plate("Quay Logg", any_space=True, key="space")


@pytest.mark.parametrize("space", ["ACEScct", "Raw", "Film Log"])
def test_a_working_space_must_be_scene_linear(harbour, space):
    with pytest.raises(ColourError, match=rf"colour\.working: '{space}' is not scene-linear.*'AC"):
        harbour.guard_working(space)


def test_the_working_space_may_be_a_role(harbour):
    assert harbour.guard_working("scene_linear") == "ACEScg"


@pytest.mark.parametrize("space", ["Raw", "sRGB - Display"])
def test_the_guards_hold_for_a_result_too(tmp_path, capsys, space):
    write_exr(tmp_path / "a.exr", {c: np.full((2, 2), 0.5, np.float16) for c in "RGB"})
    asked = ["pull", tmp_path / "a.exr", tmp_path / "o/b.exr", "--stops", -1, "--space", "ACEScg",
             "--config", HARBOUR, "--out-space", space]  # fmt: skip
    ran = run(capsys, *asked)
    assert ran.code == 2
    assert "output.space" in ran.err
    assert not (tmp_path / "o").exists()
    assert run(capsys, *asked, "--any-space").code == 0


# ---------------------------------------------------------------- file rules


def test_the_default_rule_names_no_space(studio, harbour):
    assert studio.by_rule("a.dpx") is None
    assert harbour.by_rule("a.dpx") is None
    assert harbour.by_rule("a.exr") is None


def test_a_rule_that_goes_by_the_extension_alone_names_none(studio):
    assert studio.by_rule("shots/a.exr") is None


def test_a_named_rule_does(harbour):
    assert harbour.by_rule("shots/roll_scan.0001.dpx") == "Film Log"
    assert harbour.by_rule("shots/quay_aces.0001.exr") == "ACES2065-1"


def test_a_plate_that_only_the_default_rule_knows_is_refused(tmp_path, capsys, monkeypatch):
    planes = {c: np.full((2, 2), 0.5, np.float16) for c in "RGB"}
    monkeypatch.chdir(tmp_path)
    write_exr(tmp_path / "quay.exr", planes)
    write_exr(tmp_path / "quay_aces.exr", planes)
    refused = run(capsys, "pull", "quay.exr", "o/a.exr", "--stops", -1, "--config", HARBOUR)
    assert refused.code == 2
    assert "no input colour space given; name it with --space" in refused.err
    taken = run(capsys, "pull", "quay_aces.exr", "o/a.exr", "--stops", -1, "--config", HARBOUR)
    assert taken.code == 0, taken
    built_in = run(capsys, "pull", "quay.exr", "o/b.exr", "--stops", -1)
    assert built_in.code == 2  # its rule for EXR goes by the extension alone
    assert "no input colour space given" in built_in.err


# ---------------------------------------------------------------- files and context variables


def write_lut(path: Path, top: float) -> None:
    path.write_text(
        f"Version 1\nFrom 0 1\nLength 2\nComponents 1\n{{\n0\n{top}\n}}\n", encoding="utf-8"
    )


def test_a_missing_lut_is_named_and_only_where_it_is_needed(tmp_path):
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", MISSING_LUT, search_path="luts")))
    for path in (("Torn", "ACEScg"), ("ACEScg", "Torn")):
        with pytest.raises(ColourError, match=r"torn\.spi1d.*could not be located") as caught:
            config.convert(*path)
        assert caught.value.exit_code == 2
        assert caught.value.remedy == "correct the config, or point to another one"
    assert config.convert("ACEScct", "ACEScg") is not None


def test_an_unset_context_variable_is_named(tmp_path):
    path = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    with pytest.raises(ColourError, match=r"set the context variable SHOT \(colour\.context") as e:
        colour.load(str(path))
    assert e.value.exit_code == 2


def test_a_context_variable_that_leads_nowhere_is_told_with_its_value(tmp_path):
    path = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    config = colour.load(str(path), {"SHOT": "quay"})
    with pytest.raises(ColourError, match=r"set the context variable SHOT \(now 'quay'\)"):
        config.convert("By Shot", "ACEScg")


def test_a_context_variable_chooses_the_lut_and_both_are_recorded(tmp_path, monkeypatch):
    (tmp_path / "luts").mkdir()
    write_lut(tmp_path / "luts/quay.spi1d", 2.0)
    write_lut(tmp_path / "luts/pier.spi1d", 4.0)
    path = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    monkeypatch.setenv("SHOT", "pier")
    for context, top in (({"SHOT": "quay"}, 2.0), ({"SHOT": "pier"}, 4.0)):
        config = colour.load(str(path), context)  # the recipe wins over the environment
        assert config.context() == context
        light = converted(config, "By Shot", "ACES2065-1", [1.0])
        np.testing.assert_allclose(light, top, rtol=1e-6)
        (lut, digest), *others = config.files("By Shot", "ACES2065-1").items()
        assert Path(lut).name == f"{context['SHOT']}.spi1d"
        assert re.fullmatch(r"[0-9a-f]{64}", digest)
        assert not others


def test_a_variable_of_the_environment_is_recorded_for_other_machines(tmp_path, monkeypatch):
    monkeypatch.setenv("SHOT", "pier")
    path = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    assert colour.load(str(path)).context() == {"SHOT": "pier"}


def test_the_hash_is_the_same_in_every_context(tmp_path):
    path = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    hashes = {colour.load(str(path), {"SHOT": shot}).sha256 for shot in ("quay", "pier")}
    assert len(hashes) == 1


def test_a_recipe_sets_the_context_for_a_whole_run(tmp_path, capsys):
    (tmp_path / "luts").mkdir()
    write_lut(tmp_path / "luts/quay.spi1d", 2.0)
    harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    write_exr(tmp_path / "a.exr", {c: np.full((2, 2), 0.5, np.float16) for c in "RGB"})
    recipe = tmp_path / "r.yaml"
    text = (
        "gradeprep: 1\ncolour: {{config: c.ocio, context: {{{context}}}}}\nshots:\n"
        "  a: {{plate: a.exr, space: By Shot, stages: [{{pull: {{stops: -1}}}}],\n"
        "    output: {{plate: out/a.exr, space: ACES2065-1}}}}\n"
    )
    recipe.write_text(text.format(context=""))
    refused = run(capsys, "run", recipe)
    assert refused.code == 2
    assert "context variable SHOT" in refused.err
    assert not (tmp_path / "out").exists()
    recipe.write_text(text.format(context="SHOT: quay"))
    assert run(capsys, "run", recipe, "--jobs", 1).code == 0
    found = OpenEXR.File(str(tmp_path / "out/a.exr"), separate_channels=True).channels()
    assert np.all(found["R"].pixels == np.float16(0.5))  # 0.5 by the LUT is 1.0, pulled 0.5


# ---------------------------------------------------------------- processors


def test_the_same_space_needs_no_conversion(harbour):
    assert harbour.convert("ACEScg", "scene_linear") is None
    assert harbour.files("ACEScg", "lin_ap1") == {}


def test_conversions_are_built_once(harbour):
    assert harbour.convert("ACEScct", "ACEScg") is harbour.convert("ACEScct", "ACEScg")


def test_a_conversion_keeps_negatives_and_values_over_one(harbour):
    light = np.array([[-0.25, 0.0, 40.0], [0.18, 2.0, -1.0]], np.float32)
    through = converted(harbour, "ACEScg", "ACES2065-1", light)
    back = converted(harbour, "ACES2065-1", "ACEScg", through)
    np.testing.assert_allclose(back, light, rtol=1e-6, atol=1e-5)


# ---------------------------------------------------------------- luminance and primaries


def test_luminance_weights_are_the_published_ones(harbour, studio):
    """Y row of AP1 (S-2014-004) by the derivation of SMPTE RP 177."""
    published = (0.2722287168, 0.6740817658, 0.0536895174)
    for config in (harbour, studio):
        assert config.weights("ACEScg") == pytest.approx(published, abs=1e-6)
        assert sum(config.weights("ACES2065-1")) == pytest.approx(1.0, abs=1e-12)


def test_luminance_weights_of_ap0_have_a_negative_blue(harbour):
    """ST 2065-1 primaries by RP 177: its blue lies outside of what the eye sees."""
    published = (0.3439664498, 0.7281660966, -0.0721325464)
    assert harbour.weights("ACES2065-1") == pytest.approx(published, abs=1e-9)


def test_luminance_needs_the_interchange_role(tmp_path):
    path = tmp_path / "c.ocio"
    path.write_text(HARBOUR.read_text().replace("  aces_interchange: ACES2065-1\n", ""))
    with pytest.raises(ColourError, match="no role 'aces_interchange'; add the role"):
        colour.load(str(path)).weights("ACEScg")


AP0 = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)  # SMPTE ST 2065-1
AP1 = (0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767)  # Academy S-2014-004
BT709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)  # ITU-R BT.709
BT2020 = (0.708, 0.292, 0.17, 0.797, 0.131, 0.046, 0.3127, 0.329)  # ITU-R BT.2020
P3 = (0.68, 0.32, 0.265, 0.69, 0.15, 0.06, 0.3127, 0.329)  # SMPTE EG 432-1, white D65


@pytest.mark.parametrize(
    ("space", "published"),
    [
        ("ACES2065-1", AP0),
        ("ACEScg", AP1),
        ("Linear Rec.709 (sRGB)", BT709),
        ("Linear Rec.2020", BT2020),
        ("Linear P3-D65", P3),
    ],
)
def test_primaries_of_the_published_spaces(studio, space, published):
    assert studio.chromaticities(space) == published


def test_primaries_of_the_shipped_config(harbour):
    assert harbour.chromaticities("ACES2065-1") == AP0
    assert harbour.chromaticities("scene_linear") == AP1
    assert harbour.chromaticities("Linear Rec.709") == BT709


@pytest.mark.parametrize("space", ["ACEScct", "Raw", "sRGB - Display"])
def test_no_primaries_are_claimed_for_what_is_not_linear(harbour, space):
    assert harbour.chromaticities(space) is None


def test_no_primaries_are_claimed_that_match_none_of_the_published(tmp_path):
    odd = space_text(
        "Odd",
        encoding="scene-linear",
        to_reference="!<MatrixTransform> {matrix: "
        "[0.7, 0.2, 0.1, 0, 0.1, 0.8, 0.1, 0, 0.0, 0.1, 0.9, 0, 0, 0, 0, 1]}",
    )
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", odd)))
    assert config.is_linear("Odd")
    assert config.chromaticities("Odd") is None


# ---------------------------------------------------------------- one engine


FOREIGN = re.compile(
    r"colorconvert|colormatrixtransform|ColorConfig|ColorProcessor|ocio(look|display|filetransform"
    r"|namedtransform)|iccread|iccwrite|set_colorspace|unpremult|autocc",
    re.IGNORECASE,
)


def test_no_module_calls_a_colour_function_of_openimageio():
    """Names as code has them: what a comment or docstring says is no call."""
    called = []
    for path in sorted(Path(gradeprep.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = getattr(node, "attr", None) or getattr(node, "id", None)
            if isinstance(node, ast.alias):
                name = node.name
            if isinstance(name, str) and FOREIGN.search(name):
                called.append(f"{path.name}:{node.lineno}: {name}")
    assert not called


def test_two_luts_of_one_size_and_one_range_are_not_taken_for_one(tmp_path):
    """The library tells a LUT by its ends alone where it keeps processors."""
    spaces = []
    for name, power in (("First", 2.0), ("Second", 3.0)):
        values = "\n".join(f"{value:.8f}" for value in np.linspace(0, 1, 256) ** power)
        text = f"Version 1\nFrom 0.0 1.0\nLength 256\nComponents 1\n{{\n{values}\n}}\n"
        (tmp_path / f"{name}.spi1d").write_text(text)
        spaces.append(space_text(name, to_reference=f"!<FileTransform> {{src: {name}.spi1d}}"))
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", *spaces, search_path=".")))
    for name, light in (("First", 0.25), ("Second", 0.125)):
        decode, _ = config.curve(name, "ACEScg")
        pixel = np.full((1, 1, 3), 0.5, np.float32)
        decode(pixel)
        np.testing.assert_allclose(pixel, light, atol=1e-4)

"""Colour that is not named, not known, or not light; configs that are missing or broken."""

from __future__ import annotations

import pytest
from harbour import HARBOUR, harbour_with, space_text
from refusal import RECIPE, codes, exr_plate, light, refused, write_recipe
from support import run, write_dpx, write_exr

STOPS = ("--stops", "-1", "--jobs", "1", "--quiet")
LUT = space_text("By LUT", to_reference="!<FileTransform> {src: gone.cube}")
BY_SHOT = space_text("By Shot", to_reference="!<FileTransform> {src: '${GP_SHOT}.cube'}")


@pytest.fixture(autouse=True)
def no_config_from_outside(monkeypatch):
    for name in ("OCIO", "GP_SHOT"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def pull(tmp_path):
    """The command that pulls one EXR frame."""
    return ("pull", write_exr(tmp_path / "quay.exr", light()), tmp_path / "out", *STOPS)


# Spaces.


@pytest.mark.parametrize(
    ("name", "close"),
    [("ACEScgg", "'ACEScg'"), ("acescc t", "'ACEScct'"), ("Film Lug", "'Film Log'")],
)
def test_unknown_space_lists_close_matches(name, close, pull, tmp_path, capsys):
    arguments = (*pull, "--config", HARBOUR, "--space", name)
    says = ("space", f"has no space or role '{name}'", "did you mean", close)
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_unknown_space_like_no_other_lists_some(pull, tmp_path, capsys):
    arguments = (*pull, "--config", HARBOUR, "--space", "qqqq")
    refused(capsys, tmp_path, arguments, "'qqqq'", "it has ", "'ACEScg'", code=2)


@pytest.mark.parametrize("name", ["Raw", "data"])
def test_data_is_not_light(name, pull, tmp_path, capsys):
    arguments = (*pull, "--config", HARBOUR, "--space", name)
    says = ("space", "'Raw' is data, not light", "the camera recorded", "any_space")
    refused(capsys, tmp_path, arguments, *says, code=2)


@pytest.mark.parametrize("name", ["sRGB - Display", "Rec.1886 Rec.709 - Display"])
def test_a_display_holds_no_scene_light(name, pull, tmp_path, capsys):
    says = ("space", f"'{name}' is a display's space", "the camera recorded", "any_space")
    refused(capsys, tmp_path, (*pull, "--space", name), *says, code=2)


def test_a_picture_for_displays_in_a_scene_space(pull, tmp_path, capsys):
    arguments = (*pull, "--space", "sRGB Encoded Rec.709 (sRGB)")
    refused(capsys, tmp_path, arguments, "display-referred (encoding sdr-video)", code=2)


def test_a_space_without_encoding_proves_nothing(pull, tmp_path, capsys):
    curve = "!<ExponentTransform> {value: [2.4, 2.4, 2.4, 1]}"
    mute = space_text("Mute", encoding="", to_reference=curve)
    config = harbour_with(tmp_path / "c.ocio", mute)
    arguments = (*pull, "--config", config, "--space", "Mute")
    refused(capsys, tmp_path, arguments, "'Mute'", "does not say its encoding", code=2)


def test_whoever_insists_may_pull_data(pull, capsys):
    ran = run(capsys, *pull, "--config", HARBOUR, "--space", "Raw", "--any-space")
    assert ran.code == 0, ran


@pytest.mark.parametrize("config", [None, HARBOUR], ids=["built-in", "harbour"])
def test_nobody_says_the_space(config, tmp_path, capsys):
    file = write_dpx(tmp_path / "quay.dpx", codes())
    options = () if config is None else ("--config", config)
    arguments = ("pull", file, tmp_path / "out", *STOPS, *options)
    says = ("quay.dpx", "space", "no input colour space given", "--space")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_a_result_for_displays(pull, tmp_path, capsys):
    arguments = (*pull, "--space", "ACEScg", "--out-space", "sRGB - Display")
    refused(capsys, tmp_path, arguments, "output.space", "is a display's space", code=2)


def test_working_in_a_log_space(pull, tmp_path, capsys):
    arguments = (*pull, "--space", "ACEScg", "--working", "ACEScct")
    says = ("colour.working", "'ACEScct' is not scene-linear", "for example", "'ACEScg'")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_unknown_working_space_lists_the_linear_ones(pull, tmp_path, capsys):
    arguments = (*pull, "--config", HARBOUR, "--space", "ACEScg", "--working", "scene_liner")
    says = ("colour.working", "'scene_liner'", "scene-linear spaces are", "'ACEScg'")
    refused(capsys, tmp_path, arguments, *says, code=2)


# Configs.


@pytest.mark.parametrize("who", ["option", "environment", "recipe"])
def test_missing_config(who, pull, tmp_path, capsys, monkeypatch):
    arguments: tuple[object, ...] = (*pull, "--space", "ACEScg")
    if who == "option":
        arguments = (*arguments, "--config", tmp_path / "gone.ocio")
    elif who == "environment":
        monkeypatch.setenv("OCIO", str(tmp_path / "gone.ocio"))
    else:
        exr_plate(tmp_path / "plate")
        text = RECIPE.replace("defaults:", "colour: {config: gone.ocio}\ndefaults:")
        arguments = ("run", write_recipe(tmp_path, text))
    says = (str(tmp_path / "gone.ocio"), "no such OpenColorIO config", "give a path")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_unknown_built_in_config(pull, tmp_path, capsys):
    arguments = (*pull, "--space", "ACEScg", "--config", "ocio://none-such")
    refused(capsys, tmp_path, arguments, "ocio://none-such", "does not load", code=2)


@pytest.mark.parametrize("content", [b"hello: [", b"\xff\xfe\x00", b""])
def test_file_that_is_no_config(content, pull, tmp_path, capsys):
    config = tmp_path / "broken.ocio"
    config.write_bytes(content)
    arguments = (*pull, "--space", "ACEScg", "--config", config)
    refused(capsys, tmp_path, arguments, "broken.ocio", "does not load", code=2)


def test_config_without_a_scene_linear_role(pull, tmp_path, capsys):
    config = tmp_path / "c.ocio"
    text = HARBOUR.read_text(encoding="utf-8")
    config.write_text(text.replace("  scene_linear: ACEScg\n", ""), encoding="utf-8")
    arguments = (*pull, "--space", "ACEScg", "--config", config)
    says = ("colour.working", "no space or role 'scene_linear'", "'ACEScg'")
    refused(capsys, tmp_path, arguments, *says, code=2)


@pytest.mark.parametrize("option", ["--space", "--out-space"])
def test_missing_lut(option, pull, tmp_path, capsys):
    config = harbour_with(tmp_path / "c.ocio", LUT, search_path="luts")
    arguments = (*pull, "--config", config, "--space", "ACEScg", option, "By LUT")
    refused(capsys, tmp_path, arguments, "'By LUT'", "gone.cube", code=2)


def test_unset_context_variable(pull, tmp_path, capsys):
    config = harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    arguments = (*pull, "--config", config, "--space", "By Shot")
    says = ("c.ocio", "set the context variable GP_SHOT", "colour.context")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_context_variable_that_leads_nowhere(tmp_path, capsys):
    exr_plate(tmp_path / "plate")
    harbour_with(tmp_path / "c.ocio", BY_SHOT, search_path="luts")
    colour = "colour: {config: c.ocio, context: {GP_SHOT: quay}}\ndefaults:"
    text = RECIPE.replace("defaults:", colour).replace("ACEScg", "By Shot")
    arguments = ("run", write_recipe(tmp_path, text))
    refused(capsys, tmp_path, arguments, "'By Shot'", "GP_SHOT (now 'quay')", code=2)


def test_lift_needs_to_know_luminance(pull, tmp_path, capsys):
    config = tmp_path / "c.ocio"
    text = HARBOUR.read_text(encoding="utf-8")
    config.write_text(text.replace("  aces_interchange: ACES2065-1\n", ""), encoding="utf-8")
    arguments = (*pull, "--config", config, "--space", "ACEScg")
    says = ("c.ocio", "luminance", "'aces_interchange'", "add the role")
    refused(capsys, tmp_path, (*arguments, "--lift", "1"), *says, code=2)
    assert run(capsys, *arguments).code == 0

"""The show's look: found as the recipe names it, applied to light, and no part of a decision."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import run, write_exr

from gradeprep import colour, showlook, sidecar
from gradeprep.errors import ColourError, RecipeError
from gradeprep.model.recipe import LookAsk
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.recipefile import build

GAMUT = "ACES 1.3 Reference Gamut Compression"  # a look of the built-in config
STUDIO = colour.load("ocio://studio-config-latest")


def cube(path: Path, *, offset: float = 0.0) -> Path:
    """A 3D table of two points a side that adds an offset; the corners interpolate the rest."""
    rows = [
        f"{r + offset} {g + offset} {b + offset}" for b in (0, 1) for g in (0, 1) for r in (0, 1)
    ]
    path.write_text("LUT_3D_SIZE 2\n" + "\n".join(rows) + "\n", "utf-8")
    return path


def clf(path: Path, gain: float) -> Path:
    rows = "\n".join(" ".join(str(gain if r == c else 0.0) for c in range(3)) for r in range(3))
    path.write_text(
        '<?xml version="1.0"?><ProcessList xmlns="http://www.smpte-ra.org/ns/2136-1/2024" id="x" '
        'compCLFversion="3"><Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">'
        f"{rows}</Array></Matrix></ProcessList>",
        "utf-8",
    )
    return path


def grey(value: float = 0.18) -> np.ndarray:
    return np.full((2, 2, 3), value, np.float32)


def test_a_clf_without_a_space_works_on_light(tmp_path):
    order = showlook.find(
        STUDIO, "ACEScg", LookAsk(file=clf(tmp_path / "a.clf", 0.5).name), tmp_path
    )
    light = grey()
    showlook.looked(STUDIO, "ACEScg", order)(light)
    np.testing.assert_allclose(light, 0.09, rtol=1e-6)
    assert order.space == "ACEScg"
    assert len(order.sha256) == 64


def test_a_cube_works_in_its_log_space(tmp_path):
    """In ACEScct a stop is 1/17.52 of the code range (Academy S-2016-001)."""
    ask = LookAsk(file=cube(tmp_path / "up.cube", offset=1 / 17.52).name, space="ACEScct")
    light = grey()
    showlook.looked(STUDIO, "ACEScg", showlook.find(STUDIO, "ACEScg", ask, tmp_path))(light)
    np.testing.assert_allclose(light, 0.36, rtol=1e-4)


def test_a_look_of_the_config_is_found_whatever_its_case():
    order = showlook.find(STUDIO, "ACEScg", LookAsk(name=GAMUT.upper()), Path())
    assert (order.name, order.space) == (GAMUT, "")
    light = np.array([[[-0.2, 0.5, 0.1]]], np.float32)  # out of gamut: compressed towards it
    showlook.looked(STUDIO, "ACEScg", order)(light)
    assert light[0, 0, 0] > -0.2


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (LookAsk(name="Reference Gamut"), f"did you mean '{GAMUT}'?"),
        (LookAsk(file="no.clf"), "no such look"),
        (LookAsk(file="torn.clf"), "does not read as a transform"),
        (LookAsk(file="a.cube", space="ACEScg"), "a .cube clamps at 0 and 1"),
        (LookAsk(file="a.cube", space="ACESccc"), "did you mean 'ACEScc'"),
    ],
)
def test_says_what_is_wrong_with_a_look(tmp_path, ask, told):
    cube(tmp_path / "a.cube")
    (tmp_path / "torn.clf").write_text("<ProcessList>", "utf-8")
    with pytest.raises(ColourError, match=r".") as caught:
        showlook.find(STUDIO, "ACEScg", ask, tmp_path)
    assert told in str(caught.value)


def test_a_look_that_changed_since_is_not_taken_for_the_one_recorded(tmp_path):
    path = clf(tmp_path / "a.clf", 0.5)
    order = showlook.find(STUDIO, "ACEScg", LookAsk(file=path.name), tmp_path)
    clf(path, 0.6)
    with pytest.raises(ColourError, match="not the look that was recorded"):
        showlook.looked(STUDIO, "ACEScg", order)


BASE = "gradeprep: 1\ncolour: {look: %s}\nshots: {a: {plate: a.exr, output: {plate: o.exr}}}\n"


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("show.cube", "a .cube does not state the space it was made for"),
        ("{fil: a.clf}", "unknown key 'fil'; did you mean file?"),
        ("{file: a.txt}", "'a.txt' is no look"),
        ("{name: warm, file: a.clf}", "either a 'name' of the config or a 'file'"),
        ("{name: warm, space: ACEScct}", "leave 'space' out"),
        ("[warm]", "is no look; give a name"),
    ],
)
def test_a_recipe_that_names_no_look_is_told_so(written, told):
    data, lines = parse_yaml(BASE % written)
    with pytest.raises(RecipeError) as caught:
        build(data, lines=lines)
    assert told in str(caught.value)
    assert "line 2: colour.look" in str(caught.value)


def test_a_lone_text_is_a_file_or_a_name():
    assert build(parse_yaml(BASE % "warm")[0]).colour.look == LookAsk(name="warm")
    assert build(parse_yaml(BASE % "show.clf")[0]).colour.look == LookAsk(file="show.clf")


def test_the_sidecar_tells_the_look_and_the_digest_does_not_know_it(tmp_path, capsys):
    digests = {}
    write_exr(tmp_path / "in.exr", dict.fromkeys("RGB", np.full((4, 4), 0.5, np.float16)))
    clf(tmp_path / "warm.clf", 0.9)
    for name, look in (("plain", ""), ("warm", "colour: {look: warm.clf}\n")):
        recipe = tmp_path / f"{name}.yaml"
        recipe.write_text(
            f"gradeprep: 1\n{look}shots: {{{name}: {{plate: in.exr, space: ACEScg, "
            "stages: [{pull: {stops: -1}}], output: {plate: 'out/{shot}.exr'}}}\n",
            "utf-8",
        )
        done = run(capsys, "run", recipe, "--quiet")
        assert done.code == 0, done.err
        record = sidecar.load(tmp_path / f"out/{name}.stops.json")
        digests[name] = record.digest
    assert record.colour.look is not None
    assert record.colour.look.name == str(tmp_path / "warm.clf")
    assert digests["plain"] == digests["warm"]

"""Every hand-over, loaded by OpenColorIO, brings the source plate to our own result.

Within half a code: half a unit in the last place of a half, half a ten-bit code.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import PyOpenColorIO as ocio
import pytest
from handed import apply, brought_back, normalized, within_half_a_code
from harbour import HARBOUR
from support import plates_folder, run

from gradeprep import colour
from gradeprep.colour import BUILT_IN

PULL = {"pull": {"stops": -2.97}}
BALANCE = {"balance": {"stops": [0.31, 0.0, -0.17]}}
AMF = "{urn:ampas:aces:amf:v2.0}"
CDL = "{urn:ASC:CDL:v1.01}"


def handed(capsys, path: Path, form: str, *options: object) -> list[Path]:
    out = path.parent / "handover"
    ran = run(capsys, "handover", path, "--as", form, "--overwrite", *options)
    assert ran.code == 0, ran
    return sorted(out.iterdir())


def loaded(form: str, path: Path, name: str = "quay") -> ocio.Transform:
    if form == "amf":
        return look_of(path)
    return ocio.FileTransform(str(path), cccId="" if form in ("cc", "clf") else name)


def look_of(path: Path) -> ocio.CDLTransform:
    """The CDL of an AMF, without clamp as its description asks."""
    look = ElementTree.parse(path).find(f".//{AMF}lookTransform")
    assert look is not None
    slope, offset, power = (
        [float(word) for word in look.findtext(f"{CDL}SOPNode/{CDL}{part}").split()]
        for part in ("Slope", "Offset", "Power")
    )
    saturation = float(look.findtext(f"{CDL}SatNode/{CDL}Saturation"))
    return ocio.CDLTransform(slope=slope, offset=offset, power=power, sat=saturation)


PLATES = {
    "half": {"space": "ACEScg"},
    "half log": {"space": "ACEScct"},
    "ten bits": {"space": "ACEScct", "kind": "dpx"},
    "into light": {"space": "ACEScct", "output": {"space": "ACES2065-1"}},
    "other config": {"space": "ACEScct", "config": str(HARBOUR)},
    "other light": {"space": "ACES2065-1", "working": "ACES2065-1"},
}


@pytest.mark.parametrize("plate", PLATES)
@pytest.mark.parametrize("stages", [(PULL,), (BALANCE, PULL)], ids=["pull", "balance"])
def test_each_form_makes_our_result_of_the_source(plate, stages, tmp_path, capsys):
    path = normalized(capsys, tmp_path, *stages, **PLATES[plate])
    for form in ("cc", "ccc", "cdl", "clf", "amf"):
        (file,) = [file for file in handed(capsys, path, form) if file.suffix == f".{form}"
                   and "_aces_" not in file.name]  # fmt: skip
        theirs, ours, kind = brought_back(path, loaded(form, file))
        assert within_half_a_code(theirs, ours, kind), form
        theirs *= 1.01
        assert not within_half_a_code(theirs, ours, kind), "the comparison cannot fail"


@pytest.mark.parametrize("kind", ["exr", "dpx"])
@pytest.mark.parametrize("stages", [(PULL,), (BALANCE, PULL)], ids=["pull", "balance"])
def test_a_clf_of_a_log_space_goes_from_code_to_code(kind, stages, tmp_path, capsys):
    path = normalized(capsys, tmp_path, *stages, space="ACEScct", kind=kind)
    (file,) = handed(capsys, path, "clf", "--space", "ACEScct")
    assert file.name == "quay_acescct.clf"
    theirs, ours, type_ = brought_back(path, ocio.FileTransform(str(file)), coded=True)
    assert within_half_a_code(theirs, ours, type_)


def test_a_clf_of_every_log_space_of_the_config(tmp_path, capsys):
    """Half a ten-bit code on a scene's colours; a space that no table holds so well is refused."""
    path = normalized(capsys, tmp_path, PULL, space="ACEScct", frames=1)
    config = colour.load(BUILT_IN)
    dice = np.random.default_rng(3)
    light = 0.18 * 2.0 ** (
        dice.uniform(-5, 5, (1, 3000, 1)) + dice.uniform(-0.7, 0.7, (1, 3000, 3))
    )
    made = []
    for space in config.with_encoding("log"):
        out = tmp_path / space
        ran = run(capsys, "handover", path, "--as", "clf", "--space", space, "-o", out)
        if ran.code != 0:
            assert "no form in CLF" in ran.err or "10-bit codes, more than half" in ran.err, ran
            continue
        made.append(space)
        (file,) = out.iterdir()
        encode = ocio.ColorSpaceTransform("ACEScg", space)
        hot, wanted = (np.array(light * gain, np.float32) for gain in (1.0, 2.0**-2.97))
        apply(config.config, ocio.GroupTransform([encode, ocio.FileTransform(str(file))]), hot)
        apply(config.config, encode, wanted)
        assert np.abs(hot - wanted).max() <= 0.5 / 1023, space
    assert len(made) >= 8, made


def test_one_frame_of_a_pull_that_varies(tmp_path, capsys):
    keys = {"pull": {"stops": {1001: -3.0, 1003: -2.0}}}
    path = normalized(capsys, tmp_path, keys, frames=3)
    for form in ("cc", "clf", "amf"):
        file = next(f for f in handed(capsys, path, form, "--frame", 1002) if f.suffix[1:] == form)
        assert file.name == f"quay_1002.{form}"
        theirs, ours, kind = brought_back(path, loaded(form, file), index=1)
        assert within_half_a_code(theirs, ours, kind)
        theirs, ours, kind = brought_back(path, loaded(form, file), index=2)
        assert not within_half_a_code(theirs, ours, kind)


@pytest.mark.parametrize(
    ("stages", "light"),
    [([8.0, 0.18, -0.02], ([1, 0.0225, 0], [1, 0.0225, -0.0025])),
     ([16.0, 4.0, 1.0], ([1, 0.5, 0.125], [2, 0.5, 0.125]))],
)  # fmt: skip
def test_three_stops_are_the_worked_example(stages, light, tmp_path, capsys):
    """ASC CDL release 1.2: slope 2**-3, with the clamp and without it."""
    path = normalized(capsys, tmp_path, {"pull": {"stops": -3.0}}, frames=1)
    (file,) = handed(capsys, path, "cc")
    for style, wanted in zip((ocio.CDL_ASC, ocio.CDL_NO_CLAMP), light, strict=True):
        transform = ocio.FileTransform(str(file))
        transform.setCDLStyle(style)
        cpu = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
        assert cpu.applyRGB(stages) == pytest.approx(wanted, abs=1e-7)


@pytest.mark.parametrize(
    ("name", "space"),
    [("dpx/marci-512.dpx", "ACEScct"), ("exr/marci-512.exr", "ACEScg")],
)
def test_real_plates(name, space, tmp_path, capsys):
    source = plates_folder() / name
    out = tmp_path / source.name
    ran = run(capsys, "pull", source, out, "--stops=-1.63", "--space", space, "--quiet")
    assert ran.code == 0, ran
    (path,) = tmp_path.glob("*.stops.json")
    for form in ("cc", "clf", "amf"):
        file = next(file for file in handed(capsys, path, form) if file.suffix[1:] == form)
        theirs, ours, kind = brought_back(path, loaded(form, file))
        assert within_half_a_code(theirs, ours, kind), form

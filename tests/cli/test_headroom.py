"""``gradeprep headroom``: numbers in, advice out; quick, printable, and plain about bad input."""

from __future__ import annotations

import json
import math
import subprocess
import sys

import click
import jsonschema
import numpy as np
import pytest
from refusal import refused
from simulated import patches
from support import run, write_exr

from gradeprep.cli.headroom import command
from gradeprep.demo.sensor import Sensor

HEAVY = ("numpy", "OpenEXR", "OpenImageIO", "PyOpenColorIO", "pydantic", "yaml", "rich")

STATED = ("--bright-stops", "3", "--clip", "6.5")
SETTINGS = ("--t-stop", "T4", "--angle", "90", "--rate", "24", "--index", "800", "--density", "0.9")
SENSOR = ("--full-well", "30000", "--read-noise", "3")
SLOW = ("--changing", "--final-key", "-2")


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch):
    monkeypatch.delenv("OCIO", raising=False)


def told(capsys, *arguments):
    ran = run(capsys, "headroom", *arguments, "--json")
    assert ran.code == 0, ran
    assert ran.err == ""
    return json.loads(ran.out)


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_stated_numbers_load_nothing_heavy(form):
    code = (
        "import sys\nfrom gradeprep.cli import main\n"
        "try:\n    main()\nexcept SystemExit as left:\n    assert not left.code\n"
        f"print(*sorted({set(HEAVY)} & sys.modules.keys()), file=sys.stderr)"
    )
    arguments = ("headroom", *STATED, *SETTINGS, *SENSOR, *SLOW, *form)
    ran = subprocess.run(
        (sys.executable, "-c", code, *arguments), capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran
    assert ran.stderr.split() == []
    assert "hot" in ran.stdout


def test_document_keeps_its_schema(capsys):
    schema = json.loads(run(capsys, "schema", "headroom").out)
    jsonschema.Draft202012Validator.check_schema(schema)
    full = told(capsys, *STATED, *SETTINGS, *SENSOR, *SLOW)
    for document in (full, told(capsys, *STATED)):
        jsonschema.validate(document, schema)
    assert full["gradeprep_headroom"] == 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**full, "hotter": 1}, schema)


def test_advice(capsys):
    document = told(capsys, *STATED, *SETTINGS, *SENSOR)
    assert document["hot"] == 3.0
    assert document["pull"] == -3.0
    ways = {way["by"]: way for way in document["ways"]}
    assert ways["density"]["nominal"] == "none"  # 0.9 is 2.98974 stops, arithmetic
    assert ways["density"]["left"] == pytest.approx(0.01026, abs=5.1e-6)
    assert ways["t_stop"]["exact"] == pytest.approx(math.sqrt(2.0), rel=1e-12)  # ISO 517
    assert ways["angle"]["exact"] == 360.0
    assert ways["index"]["nominal"] == "100"
    rows = {row["index"]: row for row in document["divisions"]}
    assert rows[400]["above"] == 5.5
    assert rows[400]["below"] == pytest.approx(rows[800]["below"] + 1.0, abs=1e-12)
    ten = document["noise"]["usable"][0]
    assert ten["hot"] == pytest.approx(ten["normal"] - 3.0, abs=1e-12)


def test_readings(capsys):
    for grey, bright in (("40cd/m2", "320cd/m2"), ("9EV@400", "12EV@400")):
        assert told(capsys, "--grey", grey, "--bright", bright, "--clip", "6")["hot"] == 2.5
    document = told(capsys, "--grey", "700lx", "--bright", "700lx", "--clip", "6")
    assert document["scene"]["bright"] == pytest.approx(2.4739312, abs=1e-7)  # log2(1 / 0.18)


def test_changing_light_and_final_key(capsys):
    document = told(capsys, *STATED, *SLOW, "--index", "800")
    assert document["margin"] == 1.0
    assert document["watch"] == {"drift": 12.0, "extra": 0.5, "minutes": 2.5}
    assert document["key"]["over"] == 4.5
    assert document["key"]["index"] == pytest.approx(800 / 2**4.5, rel=1e-12)
    assert told(capsys, *STATED, "--drift", "3")["watch"]["minutes"] == 10.0


def test_table_is_printable(capsys):
    ran = run(capsys, "headroom", *STATED, *SETTINGS, *SENSOR, *SLOW)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert ran.out.isascii()
    text = " ".join(ran.out.split())
    for words in (
        "expose +2.50 stops hot",
        "pull in post -4.50 stops",
        "T-stop 1.682 T1.8 (1.782) +2.33 +0.17",
        "depth of field shrinks",
        "motion blur grows",
        "less noise, less headroom",
        "400 +1.00 5.50",
        "read again within 2.5 minutes",
        "the same thing as exposure index 35",
        "darkest tone at 10:1 (ISO 12232)",
        "never point an optical finder",
        "crew's judgement on the day decide",
    ):
        assert words in text, words


def test_scene_that_does_not_fit_is_told(capsys):
    ran = run(capsys, "headroom", "--bright-stops", "7", "--clip", "6.5")
    assert ran.code == 0
    assert "expose -1.00 stops: too bright for normal exposure" in " ".join(ran.out.split())
    assert "the scene does not fit" in ran.out


def test_every_option_that_takes_a_number_says_its_unit():
    units = ("stops", "cd", "lx", "f-number", "T-stop", "seconds", "degrees", "per second", "index")
    units += ("density", "log10", "indices", "Electrons", "electrons", "Share", "ixels", "Stops")
    for option in command.params:
        if isinstance(option, click.Option) and not option.is_flag and option.metavar not in (
            "NAME", "CONFIG", "RANGE", "PLATE",
        ):  # fmt: skip
            assert any(unit in (option.help or "") for unit in units), option.name


def test_log_space_ends(capsys):  # Academy S-2016-001: ACEScct 1.0 is 10.2739 stops above grey
    document = told(capsys, "--bright-stops", "3", "--space", "ACEScct")
    assert document["ceiling"]["stops"] == pytest.approx(10.2739, abs=1e-4)
    assert document["ceiling"]["source"] == "encodable"


@pytest.fixture
def plate(tmp_path):
    """Two frames of many tones, the brightest of them clipped."""
    folder = tmp_path / "plate"
    scene = patches(-9, 8, rows=160)
    for frame in (1001, 1002):
        picture = Sensor().expose(scene, stops=0.0, seed=frame)
        planes = {name: picture[..., c].astype(np.float16) for c, name in enumerate("RGB")}
        write_exr(folder / f"steps.{frame}.exr", planes)
    return folder


def test_plates_tell_the_clip_and_the_sensor(plate, capsys):
    arguments = ("--bright-stops", "2", "--plate", plate, "--noise-plate", plate)
    document = told(capsys, *arguments, "--space", "ACEScg")
    assert document["ceiling"]["source"] == "plateau"
    assert document["ceiling"]["stops"] == pytest.approx(math.log2(12.0 / 0.18), abs=0.01)
    assert document["noise"]["full_well"] == pytest.approx(30_000, rel=0.03)
    assert document["noise"]["read_noise"] == pytest.approx(3.0, rel=0.10)


def test_regions_tell_the_scene(plate, capsys):
    grey, bright = (27 * 24 + 4, 4, 16, 100), (33 * 24 + 4, 4, 16, 100)
    arguments = ("--plate", plate, "--space", "ACEScg", "--grey-region", *grey)
    document = told(capsys, *arguments, "--bright-region", *bright)
    assert document["scene"]["bright"] == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((*STATED, "--angle", "400", "--rate", "24"), "at most 360 degrees"),
        ((*STATED, "--angle", "0", "--rate", "24"), "'--angle': it must be above zero, not 0"),
        ((*STATED, "--angle", "180"), "needs the frame rate; give --rate"),
        ((*STATED, "--time", "1/20", "--rate", "24"), "longer than one frame at 24 per second"),
        ((*STATED, "--time", "-1/20", "--rate", "24"), "'--time': a time must be above zero"),
        ((*STATED, "--time", "1/48", "--angle", "180", "--rate", "24"), "say the same"),
        ((*STATED, "--rate", "0"), "'--rate': '0' is no frame rate"),
        ((*STATED, "--density", "-0.3"), "'--density': a density must be zero or more"),
        ((*STATED, "--density", "ND8"), "may be a factor or a density"),
        ((*STATED, "--index", "0"), "'--index': it must be above zero, not 0"),
        ((*STATED, "--t-stop", "0"), "'--t-stop': an aperture must be above zero"),
        ((*STATED, "--aperture", "4", "--t-stop", "4"), "say the same"),
        ((*STATED, "--indices", "400", "800"), "give --index as well"),
        ((*STATED, "--index", "800", "--indices", "0", "1"), "--indices: no marked exposure index"),
        ((*STATED, "--margin", "-1"), "a margin must be zero stops or more, not -1"),
        ((*STATED, "--drift", "0"), "changing light must be above zero, not 0"),
        ((*STATED, "--full-well", "30000"), "give --full-well and --read-noise"),
        ((*STATED, "--full-well", "0", "--read-noise", "3"), "must be above zero electrons"),
        ((*STATED, "--full-well", "9", "--read-noise", "-3"), "zero electrons or more"),
        ((*STATED, "--full-well", "nan", "--read-noise", "3"), "must be above zero electrons"),
        ((*STATED, *SENSOR, "--noise-plate", "x"), "give the plate or the numbers"),
        ((*STATED, "--space", "ACEScct"), "--clip and --space both state the clip"),
        ((*STATED, "--plate", "x"), "--clip states what --plate would measure"),
        (("--clip", "6"), "how bright the scene is, is missing"),
        (("--clip", "inf", "--bright-stops", "1"), "inf is not a number of stops"),
        (("--bright-stops", "3"), "where the recording ends is missing"),
        ((*STATED, "--grey", "40cd/m2"), "say the same; give one of"),
        (("--grey", "40cd/m2", "--clip", "6"), "give --grey and --bright"),
        (("--grey", "40", "--bright", "9lx", "--clip", "6"), "'--grey': '40' is no reading"),
        (("--grey", "9EV", "--bright", "9lx", "--clip", "6"), "names no index"),
        (
            ("--grey", "9lx", "--bright", "9lx", "--reflectance", "2", "--clip", "6"),
            "a reflectance lies above 0 and is at most 1, not 2",
        ),
        (
            ("--grey", "9EV@100", "--bright", "9lx", "--meter-constant", "0", "--clip", "6"),
            "the constant K must be above zero",
        ),
        (("--clip", "6", "--grey-region", "0", "0", "1", "1"), "regions belong together"),
        (("--bright-stops", "3", "--space", "ACEScg"), "'ACEScg' has no ceiling"),
        (("--bright-stops", "3", "--space", "ACESzz"), "--space: config"),
        (("--bright-stops", "3", "--plate", "none.exr", "--space", "ACEScg"), "none.exr"),
    ],
    ids=lambda value: " ".join(value[:4]) if isinstance(value, tuple) else "",
)
def test_bad_input_is_one_clear_line(arguments, says, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    refused(capsys, tmp_path, ("headroom", *arguments), says, code=2)


def test_plates_that_do_not_tell(plate, tmp_path, capsys):
    one = ("--noise-plate", plate / "steps.1001.exr", "--space", "ACEScg")
    refused(
        capsys, tmp_path, ("headroom", *STATED, *one),
        "--noise-plate: photon transfer needs two frames", code=2,
    )  # fmt: skip
    dark = tmp_path / "dark"
    planes = {n: np.full((64, 64), 0.1, np.float16) for n in "RGB"}
    write_exr(dark / "dark.1001.exr", planes)
    refused(
        capsys, tmp_path,
        ("headroom", "--bright-stops", "3", "--plate", dark, "--space", "ACEScg"),
        "--plate: no clipping found in the plate", code=2,
    )  # fmt: skip

"""``gradeprep compensate`` at the command line: what it writes, tells and refuses."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from harbour import HARBOUR
from support import run, snapshot

from gradeprep.onset.exact import through
from gradeprep.transforms import from_file

SMALL = ("--config", HARBOUR, "--size-3d", 17, "--tolerance-stops", 1, "--tolerance-codes", 20)


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OCIO", raising=False)


def test_a_set_is_written_and_told(tmp_path, capsys):
    out = tmp_path / "new" / "monitor"
    ran = run(capsys, "compensate", "--space", "ACEScct", "--stops", "-1,-2,-3", out, *SMALL)
    assert ran.code == 0, ran
    assert ran.err == ""
    names = {path.name for path in out.iterdir()}
    wanted = {"acescct.txt"}
    for stops in (1, 2, 3):
        for end in (".clf", "_1d4096.cube", "_3d17.cube"):
            wanted.add(f"acescct_minus{stops}{end}")
    assert names == wanted
    lines = ran.out.splitlines()
    assert lines[0] == str(out / "acescct_minus1.clf")
    assert lines[1] == (
        "  off by 0.000000 stops from 6 stops under grey up, 0.000 of a 10-bit code anywhere"
    )
    assert lines[5] == (
        "  clamps under code 0 and over code 1, +10.27 stops from grey recorded, +9.27 shown"
    )
    assert lines[-1] == f"card: {out / 'acescct.txt'}"


def test_a_stop_is_a_stop_of_code(tmp_path, capsys):
    """Academy S-2016-001: one stop is 1/17.52 of the code above the toe."""
    ran = run(capsys, "compensate", "--space", "ACEScct", "--stops", "-2", tmp_path, *SMALL)
    assert ran.code == 0, ran
    codes = np.repeat(np.linspace(0.4, 0.9, 50, dtype=np.float32)[:, None], 3, axis=1)
    for name in ("acescct_minus2.clf", "acescct_minus2_1d4096.cube"):
        got = through(from_file(tmp_path / name), codes)
        np.testing.assert_allclose(got, codes - 2 / 17.52, atol=2e-6)


def test_the_document_follows_its_schema(tmp_path, capsys):
    ran = run(
        capsys, "compensate", "--space", "ACEScct", "--stops=-1.5", tmp_path / "a", "--json",
        "--display", "srgb MONITOR", "--config", HARBOUR,
    )  # fmt: skip
    assert ran.code == 0, ran
    told = json.loads(ran.out)
    schema = json.loads(run(capsys, "schema", "compensate").out)
    jsonschema.Draft202012Validator(schema).validate(told)
    assert (told["display"], told["view"]) == ("sRGB monitor", "Plain")
    assert [one["format"] for one in told["files"]] == ["clf", "3d"]
    for one in told["files"]:
        assert one["stops"] == -1.5
        assert one["error_stops"] is None
        assert Path(one["file"]).is_file()


def test_a_refused_file_is_one_line_and_the_rest_is_there(tmp_path, capsys):
    ran = run(
        capsys, "compensate", "--space", "ACEScct", "--stops", "-2", tmp_path / "a", "--config",
        HARBOUR, "--size-3d", "9",
    )  # fmt: skip
    assert ran.code == 1
    assert ran.err.count("\n") == 1
    assert "acescct_minus2_3d9.cube: off by " in ran.err
    assert "(tolerance 0.02)" in ran.err
    assert "or allow it with --tolerance-stops, --tolerance-codes" in ran.err
    assert sorted(path.suffix for path in (tmp_path / "a").iterdir()) == [".clf", ".cube", ".txt"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--space", "ACEScg", "--stops", "-1"), "'ACEScg' is linear: it has no ceiling"),
        (("--space", "Nowhere", "--stops", "-1"), "has no space or role 'Nowhere'"),
        (("--space", "ACEScct", "--stops", "-1,two"), "'-1,two' is no list of stops such as"),
        (("--space", "ACEScct", "--stops", "-1,"), "'-1,' is no list of stops such as"),
        (("--space", "ACEScct", "--stops", "-50"), "-50 stops is beyond"),
        (("--space", "ACEScct", "--stops", "-1", "--size-3d", "1"), "cannot have 1 points"),
        (("--space", "ACEScct", "--stops", "-1", "--size-3d", "130"), "give 2 to 129"),
        (("--space", "ACEScct", "--stops", "-1", "--display", "Wall"), "has no display named"),
        (("--space", "ACEScct", "--stops", "-1", "--format", "jpg"), "'jpg' is not one of"),
        (("--space", "ACEScct", "--stops", "-1", "--tolerance-stops", "nan"), "is no tolerance"),
    ],
)
def test_a_wrong_request_writes_nothing(arguments, message, tmp_path, capsys):
    ran = run(capsys, "compensate", *arguments, tmp_path / "a", "--config", HARBOUR)
    assert ran.code == 2, ran
    assert message in ran.err.splitlines()[-1]
    assert ran.out == ""
    assert list(snapshot(tmp_path)) == [str(tmp_path)]


def test_a_name_that_the_library_would_resolve_is_told(tmp_path, capsys):
    folder = tmp_path / "a$HOME"
    ran = run(capsys, "compensate", "--space", "ACEScct", "--stops", "-1", folder, *SMALL)
    assert ran.code == 1
    assert "name a folder without $ and %" in ran.err
    assert not any(folder.iterdir())


def test_help_shows_runnable_examples_and_loads_no_pixels():
    code = (
        "import sys; from gradeprep.cli import cli\n"
        "try: cli(['--help'])\n"
        "except SystemExit: pass\n"
        "assert 'numpy' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "compensate" in done.stdout

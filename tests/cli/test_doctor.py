"""What doctor says of an installation, and that it finds what is broken."""

from __future__ import annotations

import builtins
import json
import subprocess
import sys
from email.message import Message
from importlib import metadata

import clumsy
import jsonschema
import pytest
from pydantic import TypeAdapter
from support import run

from gradeprep import machine
from gradeprep.cli import installation, requirements
from gradeprep.cli.requirements import floor, too_old
from gradeprep.model.documents.diagnosis import DiagnosisDocument
from gradeprep.plates import files
from gradeprep.plugins.registry import Entry, Registry


@pytest.fixture(autouse=True)
def well(monkeypatch):
    """An environment in which nothing is wrong."""
    for name in ("OCIO", "GRADEPREP_MAX_SIDE", "GRADEPREP_MAX_GIB", "GRADEPREP_MAX_SECONDS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(machine, "memory", lambda: 64 * 2**30)
    monkeypatch.setattr(machine, "processors", lambda: 4)


def problems(capsys, *options):
    """What is wrong and what to do, as the JSON tells it."""
    ran = run(capsys, "doctor", "--json", *options)
    told = json.loads(ran.out)
    jsonschema.validate(told, TypeAdapter(DiagnosisDocument).json_schema(by_alias=True))
    assert ran.code == (1 if told["problems"] else 0)
    return [(problem["what"], problem["remedy"]) for problem in told["problems"]]


def test_all_is_well(capsys):
    assert problems(capsys) == []
    ran = run(capsys, "doctor")
    assert ran.code == 0
    lines = dict(line.split(maxsplit=1) for line in ran.out.splitlines()[:-1])
    assert lines["machine"] == "4 processors, 64 GiB of memory"
    assert lines["config"].startswith("ocio://studio-config-")
    assert lines["config"].endswith("(built-in)")
    assert lines["pictures"].startswith("up to 32768 pixels a side, 16 GiB decoded")
    assert "openexr 3." in lines["libraries"]
    assert "meters" in lines["plugins"]
    assert ran.out.splitlines()[-1].strip() == "nothing is wrong"


def test_config_that_is_not_there_names_who_asked_for_it(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("OCIO", str(tmp_path / "none.ocio"))
    ((what, remedy),) = problems(capsys)
    assert what.endswith("none.ocio: there is no such OpenColorIO config")
    assert "ocio://" in remedy
    ran = run(capsys, "doctor")
    assert "none.ocio ($OCIO)" in ran.out
    assert f"WRONG     {what}; {remedy}" in ran.out.splitlines()
    ran = run(capsys, "doctor", "--config", "ocio://studio-config-latest")
    assert ran.code == 0
    assert "(--config)" in ran.out


def test_limit_that_is_none(capsys, monkeypatch):
    monkeypatch.setenv("GRADEPREP_MAX_GIB", "lots")
    told = ("GRADEPREP_MAX_GIB: 'lots' is not a limit", "give a number above 0")
    assert problems(capsys) == [told]


def test_limit_that_was_moved(capsys, monkeypatch):
    monkeypatch.setenv("GRADEPREP_MAX_SIDE", "512")
    assert "512 pixels a side" in run(capsys, "doctor").out


def test_little_memory(capsys, monkeypatch):
    monkeypatch.setattr(machine, "memory", lambda: 2**30)
    ((what, remedy),) = problems(capsys)
    assert what.startswith("1.0 GiB of memory are little for 4 frames")
    assert remedy == "say --jobs 2"


def test_memory_that_nobody_tells(capsys, monkeypatch):
    monkeypatch.setattr(machine, "memory", lambda: None)
    assert problems(capsys) == []


def test_plugin_that_does_not_load(capsys, monkeypatch):
    broken = Registry([Entry("stages", "absent", "no_such_module:Stage", "clumsy 1.0")])
    monkeypatch.setattr(installation, "installed", lambda: broken)
    ((what, remedy),) = problems(capsys)
    assert what.startswith("stage 'absent' from clumsy 1.0 (no_such_module:Stage) does not load")
    assert remedy == "update or uninstall that package"


def test_codec_that_gives_other_pixels_back(capsys, monkeypatch):
    write = files.write

    def wrong(frame, path):
        next(iter(frame.parts[0].channels.values()))[0, 0] += 1
        write(frame, path)
        next(iter(frame.parts[0].channels.values()))[0, 0] -= 1

    monkeypatch.setattr(files, "write", wrong)
    found = problems(capsys)
    assert [what.partition(":")[0] for what, _ in found] == [
        "a small EXR cannot be written and read back",
        "a small DPX cannot be written and read back",
        "a small TIFF cannot be written and read back",
    ]


# Libraries


@pytest.fixture
def needs(monkeypatch):
    """Let the metadata of the package require something else."""
    real = metadata.metadata

    def say(*lines, extras=("cloud",)):
        found = Message()
        for name, values in (("Requires-Dist", lines), ("Provides-Extra", extras)):
            for value in values:
                found[name] = value
        monkeypatch.setattr(
            metadata, "metadata", lambda name: found if name == "gradeprep" else real(name)
        )

    return say


def test_library_that_is_absent_or_old(capsys, needs):
    needs("numpy>=99", "no-such-package>=1.5", "click>=8.2")
    assert problems(capsys) == [
        (f"numpy {requirements.installed_version('numpy')} is older than 99", ANEW.format("99")),
        ("no-such-package is not there", "pip install 'no-such-package>=1.5'"),
    ]


ANEW = "pip install 'numpy>={}'"


def test_extra_may_be_absent_but_not_old(capsys, needs):
    needs("no-such-package>=1.5; extra == 'cloud'", "numpy>=99; extra == 'cloud'")
    ((what, _),) = problems(capsys)
    assert what.startswith("numpy ")


def test_program_that_is_not_installed(capsys, needs):
    needs()
    ((what, remedy),) = problems(capsys)
    assert what.startswith("gradeprep is not installed")
    assert remedy == "install it: pip install ."


def test_library_without_which_nothing_can_be_looked_at(capsys, needs, monkeypatch):
    """A half installed program still says what is missing."""
    real = builtins.__import__

    def absent(name, *rest):
        if name == "gradeprep.cli.installation":
            raise ModuleNotFoundError("No module named 'OpenEXR'")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", absent)
    needs("no-such-package>=1.5")
    ran = run(capsys, "doctor")
    assert ran.code == 1
    assert ran.err == (
        "gradeprep: no-such-package is not there; pip install 'no-such-package>=1.5'\n"
    )
    needs("click>=8.2")
    assert "a library does not load: No module named 'OpenEXR'" in run(capsys, "doctor").err


def test_metadata_as_it_is_written(needs):
    """PEP 508 lines; a marker that is false here requires nothing."""
    needs(
        "OpenEXR>=3.5",
        "types-PyYAML; extra == 'test'",
        'colour-checker-detection>=0.2.3; extra == "chart"',
        "gradeprep[chart]; extra == 'test'",
        "pywin32<300,>=1; sys_platform == 'no-system'",
        extras=("test", "chart"),
    )
    assert {
        extra: [(one.name, floor(one)) for one in packages]
        for extra, packages in requirements.requirements().items()
    } == {
        "": [("OpenEXR", "3.5")],
        "test": [("types-PyYAML", "")],
        "chart": [("colour-checker-detection", "0.2.3")],
    }


@pytest.mark.parametrize(
    ("version", "least", "old"),
    [
        ("3.9", "3.10", True),
        ("3.10", "3.9", False),
        ("3.2.2.0", "3.2", False),
        ("3.2", "3.2.0", False),
        ("2.0rc1", "2.0", True),  # PEP 440: a pre-release comes before its release
        ("10", "10.0.1", True),
        ("0.0", "0.1", True),
        ("0.0", "", False),
    ],
)
def test_versions_are_compared_as_pep_440_orders_them(version, least, old):
    assert too_old(version, least) == old


def test_broken_plugins_of_other_packages_are_found(tmp_path):
    """A whole process with such a package on its path."""
    ran = subprocess.run(
        (sys.executable, "-m", "gradeprep", "doctor"),
        env=clumsy.environment(tmp_path),
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1, ran
    wrong = [line for line in ran.stdout.splitlines() if line.startswith("WRONG")]
    assert len([line for line in wrong if "clumsy 1.0" in line]) == 3

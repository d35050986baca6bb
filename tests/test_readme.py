"""Every command of the README and the guides runs, on the demo's plates, and prints what is shown.

An output is the ``text`` block behind the commands that print it.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from urllib.request import ProxyHandler, build_opener

import jsonschema
import pytest
import yaml
from guided import DOCUMENTS, GUIDES, README, ROOT, blocks, same, shared_film
from support import run

from gradeprep.model.recipeschema import recipe_schema
from gradeprep.pipeline.recipefile import build, kinds


@pytest.fixture(scope="session")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shared_film(tmp_path_factory)


def test_readme_begins_with_the_job_and_two_commands() -> None:
    first, second = blocks(README)[:2]
    assert (first.language, second.language) == ("sh", "sh")
    assert first.text.count("\n") == 1
    assert "gradeprep demo film" in first.text
    assert second.text.count("\n") == 1
    assert "pytest -n auto" in second.text
    assert README.read_text(encoding="utf-8").index("```") < 2500


def test_readme_is_a_front_page() -> None:
    """At most 220 lines; the picture is within the first 20, behind the two commands."""
    text = README.read_text(encoding="utf-8")
    assert text.count("\n") <= 220
    assert "![" in text.partition("pytest -n auto")[2][:100]
    for guide in GUIDES:
        assert f"(examples/guides/{guide.name})" in text or f"guides/{guide.name}#" in text


def test_every_guide_names_its_reader_first() -> None:
    for guide in GUIDES:
        title, empty, first = guide.read_text(encoding="utf-8").splitlines()[:3]
        assert title.startswith("# ")
        assert not empty
        assert first.startswith("For ")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.stem)
def test_every_command_runs(
    document: Path,
    film: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    shutil.copytree(film, "film")
    printed = ""
    for block in blocks(document)[2 if document == README else 0 :]:
        match block.language:
            case "sh":
                printed = "".join(_run(line, capsys) for line in block.text.splitlines())
            case "python":
                Path("script.py").write_text(block.text, encoding="utf-8")
                command = [sys.executable, "script.py"]
                printed = subprocess.run(command, check=True, stdout=-1, text=True).stdout
            case "text":
                assert same(block.text, printed), f"shown:\n{block.text}\nprinted:\n{printed}"
            case other:  # a recipe's part; what asks for a cluster; a package's settings
                assert other in {"yaml", "console", "toml"}


def _run(line: str, capsys: pytest.CaptureFixture[str]) -> str:
    program, *arguments = shlex.split(line)
    if program == "printf":  # writes the timeline that the next command reads
        return subprocess.run(["sh", "-c", line], check=True, stdout=-1, text=True).stdout
    assert program == "gradeprep"
    if arguments[0] == "desk":  # goes on until it is ended
        _open_and_end(*arguments)
        return ""
    done = run(capsys, *arguments)
    assert done.code == 0, f"{line}\n{done.err}"
    return done.out


def _open_and_end(*arguments: str) -> None:
    """Start the command as it stands, but for the browser; open its page; end it by Ctrl-C."""
    command = [sys.executable, "-m", "gradeprep", *arguments, "--no-open"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as desk:
        try:
            assert desk.stdout is not None
            address = desk.stdout.readline().split()[-1]
            with build_opener(ProxyHandler({})).open(address, timeout=60) as answer:
                assert answer.status == 200
            desk.send_signal(signal.SIGINT)
            assert desk.wait(timeout=60) == 0
        finally:
            desk.kill()


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.stem)
def test_every_link_leads_somewhere(document: Path) -> None:
    """Files of this repository, and the headings of those that are documents."""
    for link in re.findall(r"\]\(([^)]+)\)", document.read_text(encoding="utf-8")):
        if "://" in link:
            continue
        name, _, heading = link.partition("#")
        target = document.parent / name
        assert target.is_file(), link
        assert target.resolve().is_relative_to(ROOT), link
        if heading:
            titles = re.findall(r"^#+ (.*)$", target.read_text(encoding="utf-8"), re.MULTILINE)
            assert heading in [title.lower().replace(" ", "-") for title in titles], link


def test_console_lines_name_options_that_exist(capsys: pytest.CaptureFixture[str]) -> None:
    lines = [b.text for guide in GUIDES for b in blocks(guide) if b.language == "console"]
    assert lines
    for line in lines:
        _, command, *arguments = shlex.split(line)
        described = run(capsys, command, "--help").out.split()
        for option in (each for each in arguments if each.startswith("--")):
            assert option in described, line


def test_every_recipe_shown_is_one(film: Path) -> None:
    asked = json.dumps(yaml.safe_load((film / "recipe.yaml").read_text("utf-8")))
    jsonschema.validate(json.loads(asked), recipe_schema(kinds()))
    shown = [b.text for path in DOCUMENTS for b in blocks(path) if b.language == "yaml"]
    (text,) = (one for one in shown if one.startswith("gradeprep: 1"))
    assert list(build(yaml.safe_load(text)).shots) == ["quay_0100", "quay_0110"]
    for part in (yaml.safe_load(one) for one in shown if one != text):
        data = yaml.safe_load(text)
        data["shots"]["quay_0100"].update({k: v for k, v in part.items() if k == "stages"})
        data["colour"].update(part.pop("colour", {}))
        assert set(part) <= {"stages"}
        build(data)

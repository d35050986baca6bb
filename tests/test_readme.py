"""Every command of the README runs, on the demo's plates, in the order it stands there."""

from __future__ import annotations

import json
import re
import shlex
import signal
import subprocess
import sys
from pathlib import Path
from urllib.request import ProxyHandler, build_opener

import jsonschema
import pytest
import yaml
from support import run

from gradeprep.model.recipeschema import recipe_schema
from gradeprep.pipeline.recipefile import build, kinds

README = Path(__file__).parent.parent / "README.md"


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


def test_readme_begins_with_the_job_and_two_commands() -> None:
    first, second, *_ = blocks("sh")
    assert first.count("\n") == 1
    assert "gradeprep demo film" in first
    assert second.count("\n") == 1
    assert "pytest -n auto" in second
    assert README.read_text(encoding="utf-8").index("```") < 2500


def test_every_command_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    demo = run(capsys, "demo", "film", "--quiet")
    assert demo.code == 0, demo.err
    asked = json.dumps(yaml.safe_load((tmp_path / "film/recipe.yaml").read_text("utf-8")))
    jsonschema.validate(json.loads(asked), recipe_schema(kinds()))
    commands = [line for block in blocks("sh")[2:] for line in block.splitlines() if line]
    assert len(commands) >= 12
    for line in commands:
        program, *arguments = shlex.split(line)
        if program == "printf":  # writes the timeline that the next command reads
            subprocess.run(["sh", "-c", line], check=True)
            continue
        assert program == "gradeprep"
        if arguments[0] == "desk":  # goes on until it is ended
            _open_and_end(*arguments)
            continue
        done = run(capsys, *arguments)
        assert done.code == 0, f"{line}\n{done.err}"
    (script,) = blocks("python")
    Path("script.py").write_text(script, encoding="utf-8")
    subprocess.run([sys.executable, "script.py"], check=True)
    for result in ("loft", "lifted", "quay", "restored", "aces", "log", "from_python"):
        assert any((tmp_path / result).iterdir())


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


def test_the_recipe_of_the_readme_is_one() -> None:
    text, stages, look = blocks("yaml")
    recipe = build(yaml.safe_load(text))
    assert list(recipe.shots) == ["quay_0100", "quay_0110"]
    data = yaml.safe_load(text)
    data["shots"]["quay_0100"].update(yaml.safe_load(stages))
    data["colour"].update(yaml.safe_load(look)["colour"])
    build(data)

"""The Tab key: the scripts for each shell, and what a shell is answered."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete
from support import run

from gradeprep.cli import COMMANDS, cli


def offered(*arguments: str) -> list[tuple[str, str]]:
    """Kind and text of each completion of the last argument."""
    *before, begun = arguments
    asked = ShellComplete(cli, {}, "gradeprep", "_GRADEPREP_COMPLETE")
    return [(one.type, one.value) for one in asked.get_completions(before, begun)]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_script_asks_the_program(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, "completion", shell)
    assert said.code == 0
    assert f"_GRADEPREP_COMPLETE={shell}_complete" in said.out


def test_unknown_shell_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, "completion", "csh")
    assert said.code == 2
    assert "'bash', 'zsh', 'fish'" in said.err


def test_commands_options_and_values_are_completed() -> None:
    assert offered("pu") == [("plain", "pull")]
    assert [name for _, name in offered("")] == [*COMMANDS]
    assert offered("pull", "--comp") == [("plain", "--compression")]
    assert ("plain", "piz") in offered("pull", "--compression", "")


@pytest.mark.parametrize(
    "before",
    [
        ("pull",),
        ("pull", "hot.exr"),
        ("measure",),
        ("check",),
        ("run",),
        ("restore", "quay.stops.json"),
        ("run", "--config"),
    ],
)
def test_files_are_left_to_the_shell(before: tuple[str, ...]) -> None:
    assert offered(*before, "ho") == [("file", "ho")]


def test_bash_itself_completes(tmp_path: Path) -> None:
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("there is no bash")
    program = tmp_path / "gradeprep"
    start = "import sys; sys.argv[0] = 'gradeprep'; from gradeprep.entry import main; main()"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{start}" "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    typed = (
        'PATH="$PWD:$PATH"; source <(gradeprep completion bash); '
        "COMP_WORDS=(gradeprep pull --compr); COMP_CWORD=2; "
        '_gradeprep_completion gradeprep; echo "${COMPREPLY[@]}"'
    )
    said = subprocess.run(
        [bash, "--norc", "-c", typed], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (said.stdout, said.stderr) == ("--compression\n", "")

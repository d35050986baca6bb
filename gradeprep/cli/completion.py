"""``gradeprep completion SHELL``."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

__all__ = ["command"]

PROGRAM = "gradeprep"
VARIABLE = "_GRADEPREP_COMPLETE"
"""What the script sets when it asks the program; click derives this name from the program's."""


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print the script that lets SHELL complete commands, options and files by the Tab key.

    The script asks this program itself, so it is never out of date.

    \b
    Examples:
      gradeprep completion bash >> ~/.bashrc
      gradeprep completion zsh >> ~/.zshrc
      gradeprep completion fish > ~/.config/fish/completions/gradeprep.fish
    """
    made = get_completion_class(shell)
    assert made is not None
    program = click.get_current_context().find_root().command
    click.echo(made(program, {}, PROGRAM, VARIABLE).source())

"""Every command's help: what each option does, and the unit of each number."""

from __future__ import annotations

import re

import click
import pytest

from gradeprep.cli import COMMANDS, cli
from gradeprep.cli.handover import _Forms

UNITS = re.compile(
    r"""\b(?: stops? | tone | frames? | pixels? | fractions? | points? | codes? | seconds? | degrees
    | share | cd\ s/m2 | electrons | lx | log10 | f-number | t-stop | index | indices
    | processors | port | chunk | pull | \d+[MG] )\b""",
    re.IGNORECASE | re.VERBOSE,
)
"""What numbers of this program count: a word of these stands beside every one."""

NO_NUMBERS = (click.Choice, click.Path, click.types.StringParamType, _Forms)


def options(name: str) -> list[click.Option]:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return [one for one in command.params if isinstance(one, click.Option)]


def unexplained(option: click.Option) -> str | None:
    """What the help of an option lacks."""
    if not (option.help or "").strip().endswith((".", "]")):
        return "no sentence"
    number = not option.is_flag and not isinstance(option.type, NO_NUMBERS)
    shown = f"{option.make_metavar(click.Context(cli))} {option.help}"
    if number and not UNITS.search(shown):
        return "no unit"
    return None


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_explained_and_every_number_has_its_unit(name: str) -> None:
    found = {one.opts[0]: unexplained(one) for one in options(name)}
    assert {option: lacks for option, lacks in found.items() if lacks} == {}


@pytest.mark.parametrize(
    ("option", "lacks"),
    [
        (click.Option(["--size"], type=int), "no sentence"),
        (click.Option(["--size"], type=int, help="How large."), "no unit"),
        (click.Option(["--size"], type=int, help="How large, in pixels."), None),
        (click.Option(["--size"], is_flag=True, help="Tell how large."), None),
    ],
)
def test_that_would_be_seen(option: click.Option, lacks: str | None) -> None:
    assert unexplained(option) == lacks

"""The command line: one module a command, each imported only when it is called.

Exit codes: 0 done; 1 a frame, shot or check failed (the rest is finished); 2 the request is
wrong and nothing was touched; 130 interrupted cleanly.
"""

from __future__ import annotations

import gc
import importlib
import os
import sys
from types import ModuleType

import click

from gradeprep._version import __version__
from gradeprep.errors import GradeprepError

__all__ = ["COMMANDS", "cli", "main"]

GROUPS = {
    "Before the shoot": {
        "headroom": "How many stops hot a scene may be exposed, and which settings do it.",
        "compensate": "Write transforms that show a hot recording at normal exposure.",
    },
    "Judge": {
        "check": "Report what is wrong with a plate: gaps, clipping, noise.",
        "measure": "Read how many stops a plate, or a whole scene, is over.",
    },
    "Bring back": {
        "pull": "Bring one plate back by a number of stops.",
        "conform": "Write the recipe of a timeline: the plates and frames that it uses.",
        "plan": "Print every decision of a recipe; write nothing.",
        "run": "Bring back all shots of a recipe.",
        "restore": "Undo the changes that a sidecar records.",
    },
    "Review": {
        "desk": "Decide on the shots of a recipe on a page in the browser.",
        "report": "Write a page of all shots: pictures, numbers, everything applied.",
        "audit": "Compare plates with their sidecar, and recompute them from their sources.",
    },
    "Hand over": {
        "handover": "Write the decision as ASC CDL, CLF, AMF, OTIO or EDL.",
    },
    "At scale": {
        "farm": "Write a recipe's frames as a bundle for a farm, Slurm, or make.",
        "chunk": "Run some frames of a bundle, on any node.",
        "collect": "Verify a bundle's frames and write their sidecars.",
    },
    "Maintenance": {
        "demo": "Invent a small production, run it, and show the results.",
        "doctor": "Check this installation.",
        "plugins": "List stages, meters, checks and hand-overs.",
        "schema": "Print the JSON Schema of recipes, sidecars and other documents.",
        "completion": "Print the script that completes commands in a shell.",
    },
}
"""Commands with their line of help, by the moment that they serve."""

COMMANDS = {name: line for group in GROUPS.values() for name, line in group.items()}


class _Commands(click.Group):
    """Commands by name, with their one line of help, imported on use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = _imported(f"gradeprep.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        width = max(map(len, COMMANDS))
        for title, commands in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(f"{name:<{width}}", line) for name, line in commands.items()])


def _imported(name: str) -> ModuleType:
    """A module, with the garbage collector off: what imports make stays."""
    gc.disable()
    try:
        return importlib.import_module(name)
    finally:
        gc.enable()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="gradeprep")
def cli() -> None:
    """Bring camera plates that were exposed hot on purpose back to their intended exposure.

    Lifts the shadows while the signal is large, pulls the exposure by exact stops in
    scene-linear light, writes plates that lost nothing else, and a sidecar that says what was
    applied, so that anybody can audit it and undo it.

    \b
    Example:
      gradeprep pull hot/quay.####.exr normal --stops -3 --space ACEScct
    """


def main() -> None:
    """Entry point: runs a command and turns errors into one line and an exit code."""
    # Frames run side by side; threads in numpy's linear algebra and plugins of pydantic only cost
    # their start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        code = cli.main(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("gradeprep: interrupted; run again with --resume to go on", err=True)
        code = 130
    except GradeprepError as error:
        _trace()
        for line in str(error).splitlines():
            click.echo(f"gradeprep: {line}", err=True)
        code = error.exit_code
    except BrokenPipeError:
        code = 1
    except OSError as error:
        _trace()
        file = f"{error.filename}: " if error.filename else ""
        click.echo(f"gradeprep: {file}{error.strerror or error}", err=True)
        code = 1
    except Exception as error:
        _trace()
        click.echo(
            f"gradeprep: internal error: {type(error).__name__}: {' '.join(str(error).split())}; "
            "run again with --traceback and report it",
            err=True,
        )
        code = 1
    sys.exit(code if isinstance(code, int) else 0)


def _trace() -> None:
    if "--traceback" in sys.argv:
        import traceback  # slow to load

        traceback.print_exc()

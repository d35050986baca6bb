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

COMMANDS = {
    "demo": "Invent a small production, run it, and show what came out.",
    "headroom": "Say how many stops hot a scene may be exposed, and how to get there.",
    "compensate": "Write transforms that show a hot recording at normal exposure.",
    "measure": "Read how many stops a plate, or a whole scene, is over.",
    "check": "Say what is wrong with a plate: gaps, clipping, noise.",
    "conform": "Write the recipe of a timeline: which frames it uses of which plates.",
    "pull": "Bring one plate back by a number of stops.",
    "run": "Bring back all shots of a recipe.",
    "plan": "Print every decision of a recipe; write nothing.",
    "desk": "Decide on the shots of a recipe on a page in the browser.",
    "farm": "Write a recipe's frames as a bundle for a farm, Slurm, or make.",
    "chunk": "Make some frames of a bundle, on any node.",
    "seal": "Prove the frames of a bundle and write their sidecars.",
    "restore": "Undo the changes that a sidecar records.",
    "audit": "Check plates against their sidecar, and make them anew to compare.",
    "doctor": "Look at this installation and say what is wrong with it.",
    "handover": "Write the decision as ASC CDL, CLF, AMF, OTIO or EDL.",
    "report": "Write a page of all shots: pictures, numbers, all that was applied.",
    "plugins": "List stages, meters, checks and hand-overs.",
    "completion": "Print what lets a shell complete commands and options.",
    "schema": "Print the JSON Schema of recipes, sidecars and other documents.",
}


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
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


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
    applied, so that anybody can audit it and take it back.

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

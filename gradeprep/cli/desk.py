"""``gradeprep desk RECIPE``."""

from __future__ import annotations

import os
import sys
import threading
import webbrowser
from pathlib import Path

import click

from gradeprep.cli import options
from gradeprep.cli.jobs import stopping
from gradeprep.errors import RequestError

__all__ = ["command"]


@click.command("desk")
@click.argument("recipe", type=click.Path(path_type=Path))
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    metavar="N",
    help="Port on this machine [any that is free].",
)
@click.option("--no-open", is_flag=True, help="Print the address only; start no browser.")
@options.config
@options.traceback_option
def command(recipe: Path, port: int, no_open: bool, config: str | None) -> None:
    """Decide on the shots of RECIPE on a page in the browser, with the plates in view.

    The page is served on this machine alone and needs the address that is printed. Ctrl-C ends
    it; a shot that is being run then finishes the frames it has begun.

    \b
    Example:
      gradeprep desk scene.yaml
    """
    try:
        from gradeprep.review.desk import access, app, state
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("starlette", "uvicorn", "anyio"):
            raise
        raise RequestError(
            "the desk needs packages that are not installed",
            remedy="pip install 'gradeprep[review]'",
        ) from error
    desk = state.Desk(recipe, config)
    listening = app.listen(port)
    key = access.Pass(f"{app.HOST}:{listening.getsockname()[1]}")
    with stopping() as stop:
        click.echo(f"{recipe} is open at {key.address}")
        click.echo("Ctrl-C ends it.", err=True)
        if not no_open and _has_screen():
            threading.Thread(target=webbrowser.open, args=(key.once(),), daemon=True).start()
        interrupted = app.serve(desk, key, listening, stop)
    if interrupted:
        click.echo("gradeprep: interrupted; run the shot again to go on", err=True)
    sys.exit(130 if interrupted else 0)


def _has_screen() -> bool:
    """Whether a browser would have a window, and not take over the terminal."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))

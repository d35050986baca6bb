"""A plate with a recipe, the program run on it, and what must hold afterwards."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

from refusal import RECIPE, codes, light, write_recipe
from support import snapshot, write_dpx, write_exr

from gradeprep import sidecar
from gradeprep.cli import main
from gradeprep.plates import atomic

__all__ = ["FIRST", "Film", "call"]

FIRST = 1001
SIZE = {"height": 54, "width": 96}


def call(*arguments: object) -> tuple[int, str]:
    """Run ``gradeprep ARGUMENTS`` in this process: exit code, and all that it said."""
    said = io.StringIO()
    with (
        mock.patch("sys.argv", ["gradeprep", *map(str, arguments)]),
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(said),
    ):
        try:
            main()
        except SystemExit as left:
            return (left.code if isinstance(left.code, int) else 0), said.getvalue()
    raise AssertionError("the program did not end")


class Film:
    """One shot of so many frames.

    Attributes:
        kind: ``exr`` or ``dpx``.
        recipe: Its recipe.
        plate: The folder of its sources.
        out: The folder of its results.
    """

    def __init__(self, folder: Path, kind: str, frames: int) -> None:
        self.kind = kind
        self.plate = folder / "plate"
        self.out = folder / "out" / "quay"
        for index in range(frames):
            path = self.plate / f"quay.{FIRST + index}.{kind}"
            if kind == "exr":
                write_exr(path, light(seed=index, **SIZE))
            else:
                write_dpx(path, codes(seed=index, **SIZE))
        text = RECIPE if kind == "exr" else RECIPE.replace("ACEScg", "ACEScct")
        self.recipe = write_recipe(folder, text.replace("####.exr", f"####.{kind}"))
        self._sources = snapshot(self.plate)

    def start(self, jobs: int, *options: str) -> subprocess.Popen[str]:
        """The program on the recipe, in a process and a process group of its own."""
        told = ("run", str(self.recipe), "--jobs", str(jobs), "--quiet", *options)
        return subprocess.Popen(
            (sys.executable, "-m", "gradeprep", *told),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def clear(self) -> None:
        """Remove all results."""
        shutil.rmtree(self.out.parent, ignore_errors=True)

    def frames(self) -> dict[str, bytes]:
        """What stands under final names of frames."""
        return {path.name: path.read_bytes() for path in self._visible() if _is_frame(path)}

    def results(self) -> dict[str, bytes]:
        """Everything in the folder of results, hidden files too; the sidecar without its date."""
        found = {path.name: path.read_bytes() for path in self.out.iterdir()}
        for name in found:
            if name.endswith(sidecar.SUFFIX):
                told = json.loads(found[name])
                told.pop("dated")
                found[name] = json.dumps(told).encode()
        return found

    def stamps(self) -> dict[str, tuple[int, int]]:
        """Inode and time of each frame: one that is written anew changes both."""
        return {
            path.name: (path.stat().st_ino, path.stat().st_mtime_ns)
            for path in self._visible()
            if _is_frame(path)
        }

    def _visible(self) -> Iterator[Path]:
        for path in self.out.iterdir() if self.out.is_dir() else ():
            if not path.name.startswith("."):
                yield path

    def leftovers(self) -> list[str]:
        """Temporary files that stand there."""
        there = self.out.iterdir() if self.out.is_dir() else ()
        return [path.name for path in there if atomic.is_temp(path.name)]

    def untouched(self) -> bool:
        """Whether every source is what it was."""
        return snapshot(self.plate) == self._sources


def _is_frame(path: Path) -> bool:
    return path.suffix in (".exr", ".dpx")

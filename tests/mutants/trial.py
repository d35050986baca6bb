"""Trying one mutant: its module in a copy of the checkout, and the tests in a process of their own.

The copy is where everything is imported from, in child processes too, so nothing is ever changed
in the checkout. The process is forked from one that has imported the libraries and has read no
picture with them, which is a good part of the time that a trial takes.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from . import ROOT

__all__ = ["Bench", "copied", "warmed"]

_NEEDED = ("gradeprep", "tests", "configs", "examples", "pyproject.toml", "README.md")
_LIBRARIES = (
    *("pytest", "numpy", "pydantic", "click", "yaml", "xxhash", "asyncio", "unittest.mock"),
    *("hypothesis", "hypothesis.strategies", "hypothesis.extra.numpy"),
    *("OpenEXR", "OpenImageIO", "PyOpenColorIO"),
)
_GLANCE = 0.01


def copied(folder: Path) -> Path:
    """A copy of what tests need of the checkout."""
    for name in _NEEDED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("*.pyc"))
        else:
            shutil.copy(ROOT / name, folder)
    return folder


def warmed() -> None:
    """Import what every trial would import, and nothing of ours."""
    for name in _LIBRARIES:
        importlib.import_module(name)
    settings, phase = sys.modules["hypothesis"].settings, sys.modules["hypothesis"].Phase
    settings.register_profile(
        "mutants",
        derandomize=True,
        deadline=None,
        database=None,
        phases=(phase.explicit, phase.generate),  # a failure is enough, it need not be small
    )


_OPTIONS = (
    *("-x", "-q", "--no-header", "--tb=line", "-p", "no:cacheprovider", "-p", "no:xdist"),
    *("--hypothesis-profile", "mutants"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),  # it was imported beforehand
)


def _tests(suite: Sequence[str]) -> int:
    """Run test files one after the other until one fails: most changes need the first only."""
    for path in suite:
        code = int(sys.modules["pytest"].main([*_OPTIONS, path]))
        if code:
            return code
    return 0


class Bench:
    """A copy in which one trial runs at a time.

    Attributes:
        folder: The copy.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = copied(folder)
        self._child = 0
        self._deadline = 0.0
        self._put: tuple[Path, str] | None = None

    def start(self, module: str, source: str, suite: Sequence[str], seconds: float) -> None:
        """Begin a trial of a module's new text."""
        path = self.folder / module
        self._put = (path, path.read_text(encoding="utf-8"))
        path.write_text(source, encoding="utf-8")
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            stale.unlink()  # its time stamp is in whole seconds: it could be taken for the mutant's
        self._deadline = time.monotonic() + seconds
        sys.stdout.flush()
        self._child = os.fork()
        if not self._child:
            self._become_pytest(suite, keep_bytecode=source == self._put[1])

    def _become_pytest(self, suite: Sequence[str], *, keep_bytecode: bool) -> None:
        code = 3
        try:
            os.setsid()
            log = os.open(self.folder / "said.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            for stream in (1, 2):
                os.dup2(log, stream)
            os.chdir(self.folder)
            sys.path[:] = [str(self.folder), *(path for path in sys.path if path != str(ROOT))]
            for name in [name for name in sys.modules if name.partition(".")[0] == "tests"]:
                del sys.modules[name]
            sys.dont_write_bytecode = not keep_bytecode
            os.environ["PYTHONDONTWRITEBYTECODE"] = "" if keep_bytecode else "1"
            os.environ["PYTHONPATH"] = str(self.folder)
            os.environ["TMPDIR"] = str(self.folder / "tmp")
            (self.folder / "tmp").mkdir(exist_ok=True)
            code = _tests(suite)
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)

    def ended(self) -> str | None:
        """``killed``, ``survived`` or ``timeout``; None while it runs."""
        child, status = os.waitpid(self._child, os.WNOHANG)
        if child:
            what = "survived" if os.waitstatus_to_exitcode(status) == 0 else "killed"
        elif time.monotonic() > self._deadline:
            what = "timeout"
        else:
            return None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._child, signal.SIGKILL)
        if not child:
            os.waitpid(self._child, 0)
        self._clear()
        return what

    def wait(self) -> str:
        """What the trial comes to."""
        while (what := self.ended()) is None:
            time.sleep(_GLANCE)
        return what

    def said(self) -> str:
        """The last lines of the tests."""
        return (self.folder / "said.txt").read_text(encoding="utf-8", errors="replace")[-2000:]

    def _clear(self) -> None:
        if self._put is not None:
            self._put[0].write_text(self._put[1], encoding="utf-8")
        self._put = None
        shutil.rmtree(self.folder / "tmp", ignore_errors=True)

"""Runs that are killed or stopped at random moments, and resumed.

After each: under final names only frames of an undisturbed run, byte for byte; sources as they
were. Then a resumed run keeps what the killed one had noted, does the others, removes what was
left half written, and ends in the bytes of the undisturbed run, the sidecar's with them.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path

from .film import Film
from .tally import Tally

__all__ = ["Undisturbed", "kills"]

PATIENCE = 60.0
"""Seconds after which a machine is taken for hung, however slow it is."""

ORPHAN = "EOFError: Ran out of input"
"""Python's own words of a worker whose starter was killed before it had told it what to do."""

SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
WAYS = [(kind, jobs) for kind in ("exr", "dpx") for jobs in (1, 2)]


def kills(folder: Path, *, count: int, frames: int, seed: int) -> Iterator[Tally]:
    """One series a signal; kinds of plates, workers and moments are drawn.

    Args:
        folder: Where the film goes.
        count: Kills in all.
        frames: Frames of the run.
        seed: What everything is drawn from.
    """
    chance = random.Random(f"kills {seed}")

    @cache
    def undisturbed(kind: str, jobs: int) -> Undisturbed:
        return Undisturbed(folder / f"{kind}{jobs}", kind, jobs, frames)

    tallies = {number: Tally(f"{number.name} at a random moment") for number in SIGNALS}
    for index in range(count):
        number = SIGNALS[index % len(SIGNALS)]
        undisturbed(*chance.choice(WAYS)).disturb(number, chance, tallies[number])
    yield from tallies.values()


class Undisturbed:
    """A film, what a run of it leaves that nobody disturbs, and how long that takes."""

    def __init__(self, folder: Path, kind: str, jobs: int, frames: int) -> None:
        self.film = Film(folder, kind, frames)
        self.jobs = jobs
        begun = time.monotonic()
        running = self.film.start(jobs)
        while running.poll() is None and not self.film.out.is_dir():
            time.sleep(0.001)
        self.first = time.monotonic() - begun
        assert running.wait(PATIENCE) == 0, running.stderr and running.stderr.read()
        running.communicate()
        self.last = time.monotonic() - begun
        self.right = self.film.results()
        assert len(self.film.frames()) == frames

    def disturb(self, number: signal.Signals, chance: random.Random, tally: Tally) -> None:
        """One trial."""
        self.film.clear()
        # Before the first frame little can go wrong: most moments lie after it.
        begin = self.first if chance.random() < 0.8 else 0.0
        moment = chance.uniform(begin, self.last)
        whole_group = chance.random() < 0.5
        running = self.film.start(self.jobs)
        time.sleep(moment)
        told = f"{self.film.kind}, {self.jobs} jobs, {number.name} after {moment:.3f} s"
        tally.add(self._after(running, number, tally, whole_group=whole_group), told)

    def _after(
        self,
        running: subprocess.Popen[str],
        number: signal.Signals,
        tally: Tally,
        *,
        whole_group: bool,
    ) -> Iterator[str]:
        try:
            code, said = _ended(running, number, whole_group=whole_group)
        except subprocess.TimeoutExpired:
            tally.hangs += 1
            os.killpg(running.pid, signal.SIGKILL)
            running.communicate()
            yield "did not end"
            return
        # Before Python has taken the signal over, the system's own answer to it holds.
        if code not in (0, 130, -number):
            tally.crashes += 1
            yield f"exit code {code}: {said[-300:]}"
        orphan = number == signal.SIGKILL and ORPHAN in said
        if "Traceback" in said and self.film.out.is_dir() and not orphan:
            tally.crashes += 1
            yield f"a traceback: {said[-300:]}"
        yield from self._whole(tally)
        yield from self._resumed(tally)

    def _whole(self, tally: Tally) -> Iterator[str]:
        wrong = [name for name, raw in self.film.frames().items() if self.right.get(name) != raw]
        tally.wrong += len(wrong)
        if wrong:
            yield f"not whole or not right: {', '.join(wrong)}"
        if not self.film.untouched():
            tally.sources += 1
            yield "a source changed"

    def _resumed(self, tally: Tally) -> Iterator[str]:
        before, noted = self.film.stamps(), self._noted()
        running = self.film.start(self.jobs, "--resume")
        try:
            _, said = running.communicate(timeout=PATIENCE)
        except subprocess.TimeoutExpired:
            tally.hangs += 1
            os.killpg(running.pid, signal.SIGKILL)
            running.communicate()
            yield "the resumed run did not end"
            return
        if running.returncode != 0:
            yield f"the resumed run ended with {running.returncode}: {said[-300:]}"
        after = self.film.stamps()
        redone = [name for name in noted if before.get(name) != after.get(name)]
        if redone:
            yield f"frames that were noted as done were done again: {', '.join(redone)}"
        if self.film.results() != self.right:
            tally.wrong += 1
            yield f"the resumed run ended in other bytes, or left {self.film.leftovers()}"

    def _noted(self) -> set[str]:
        """Frames that the killed run noted as done, in its journal or its sidecar."""
        found = set()
        side, journal = self.film.out / "quay.stops.json", self.film.out / ".quay.stops.journal"
        if side.exists():
            told = json.loads(side.read_text(encoding="utf-8"))
            found |= {Path(frame["result"]).name for frame in told["frames"]}
        if journal.exists():
            for line in journal.read_text(encoding="utf-8").splitlines(keepends=True):
                if line.endswith("\n"):
                    found.add(Path(json.loads(line)["frame"]["result"]).name)
        return found


def _ended(
    running: subprocess.Popen[str], number: signal.Signals, *, whole_group: bool
) -> tuple[int, str]:
    """Send the signal and wait until the run and all its workers are gone."""
    with suppress(ProcessLookupError):  # it ended before
        (os.killpg if whole_group else os.kill)(running.pid, number)
    _, said = running.communicate(timeout=PATIENCE)
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        try:
            os.killpg(running.pid, 0)
        except ProcessLookupError:
            return running.returncode, said
        time.sleep(0.005)
    raise subprocess.TimeoutExpired(running.args, PATIENCE)

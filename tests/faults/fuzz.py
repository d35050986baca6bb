"""Series of mutated inputs, and the coverage-guided one where its engine is installed."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from .bounded import read_all
from .tally import Tally
from .targets import TARGETS, seeds

__all__ = ["guided", "plain"]

GUIDED = ("DPX reader", "EXR structure", "recipe", "sidecar", "camera notes")
"""Our own parsers: the engine sees their branches."""


def plain(folder: Path, *, count: int, seed: int) -> Iterator[Tally]:
    """So many mutated inputs in all, each read in a bounded process."""
    good = seeds(folder / "good")
    for target in TARGETS.values():
        tally = Tally(f"mutated inputs: {target.name}", tried=round(count * target.share))
        tally.survived = tally.tried
        found = read_all(
            target, good[target.name], count=tally.tried, seed=seed, folder=folder / "found"
        )
        for one in found:
            tally.survived -= 1
            tally.hangs += one.kind == "hang"
            tally.crashes += one.kind != "hang"
            tally.notes.append(f"{tally.name}: input {one.index}: {one.kind}: {one.what}")
        yield tally


def guided(folder: Path, *, count: int, seed: int) -> Iterator[Tally]:
    """Inputs that the branches they reach have chosen, our own parsers only."""
    tally = Tally("coverage-guided inputs: our parsers")
    if importlib.util.find_spec("atheris") is None:
        tally.notes.append(f"{tally.name}: not tried: atheris is not installed")
        yield tally
        return
    good = seeds(folder / "guided")
    for name in GUIDED:
        corpus = folder / "corpus" / name.replace(" ", "-")
        corpus.mkdir(parents=True)
        for index, raw in enumerate(good[name]):
            (corpus / str(index)).write_bytes(raw)
        runs = count // len(GUIDED)
        command = (sys.executable, "-m", "tests.faults.guided", name, str(corpus), str(runs), seed)
        ran = subprocess.run(tuple(map(str, command)), capture_output=True, text=True, check=False)
        tally.tried += runs
        if ran.returncode == 0:
            tally.survived += runs
            continue
        tally.crashes += 1
        told = [line for line in ran.stderr.splitlines() if "Exception" in line or "ERROR" in line]
        tally.notes.append(f"{tally.name}: {name}: {' '.join(told[:3]) or ran.stderr[-300:]}")
    yield tally

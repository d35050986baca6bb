"""``python -m tests.faults``: tries all faults, prints the table, and ends with 1 if one counts."""

from __future__ import annotations

import argparse
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from . import disks, fuzz, kills, torn
from .tally import Tally, table


def main() -> None:
    """Try what the command line asks for."""
    told = _arguments()
    folder = Path(tempfile.mkdtemp(prefix="gradeprep-faults-", dir=told.folder))
    tallies = []
    for tally in _series(told, folder):
        print(f"{tally.name}: {tally.survived} of {tally.tried}", file=sys.stderr, flush=True)
        tallies.append(tally)
    command = shlex.join(("python", "-m", "tests.faults", *sys.argv[1:]))
    print(table(tallies, command, f"{datetime.now(UTC):%Y-%m-%d}"))
    for tally in tallies:
        for note in tally.notes:
            print(note, file=sys.stderr)
    bad = any(tally.survived < tally.tried for tally in tallies)
    if bad:
        print(f"what was found stays in {folder}", file=sys.stderr)
    else:
        shutil.rmtree(folder)
    sys.exit(bad)


def _series(told: argparse.Namespace, folder: Path) -> Iterator[Tally]:
    if told.kills:
        yield from kills.kills(folder, count=told.kills, frames=told.frames, seed=told.seed)
    if told.disks:
        yield from disks.disks(folder, count=told.disks, seed=told.seed)
    if told.torn:
        (folder / "torn").mkdir()
        yield from torn.torn(folder / "torn", count=told.torn, seed=told.seed)
    if told.inputs:
        yield from fuzz.plain(folder, count=told.inputs, seed=told.seed)
    if told.guided:
        yield from fuzz.guided(folder, count=told.guided, seed=told.seed)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="runs that are killed [200]")
    parser.add_argument("--frames", type=int, default=60, help="frames of such a run [60]")
    parser.add_argument("--disks", type=int, default=400, help="disks that fill [400]")
    parser.add_argument("--torn", type=int, default=1000, help="frames that are cut [1000]")
    parser.add_argument("--inputs", type=int, default=20_000, help="mutated inputs [20000]")
    parser.add_argument(
        "--guided", type=int, default=20_000, help="coverage-guided inputs [20000]; needs atheris"
    )
    parser.add_argument("--seed", type=int, default=1, help="what everything is drawn from [1]")
    parser.add_argument("--folder", type=Path, help="where films go [a temporary folder]")
    return parser.parse_args()


if __name__ == "__main__":
    main()

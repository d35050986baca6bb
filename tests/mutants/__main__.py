"""``python -m tests.mutants``: tries every small change of some modules, prints what survived.

Ends with 1 if a change survived that somebody could notice.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from . import ROOT
from .change import Mutant, mutants
from .report import table
from .suites import SUITES
from .trial import Bench, warmed
from .unnoticed import Unnoticed

Order = tuple[str, Mutant]


def main() -> None:
    """Try what the command line asks for."""
    told = _arguments()
    warmed()
    known, counts, lines = Unnoticed(), Counter[tuple[str, str]](), []
    before = _read(told.log) if told.log else {}
    with tempfile.TemporaryDirectory(prefix="gradeprep-mutants-") as folder:
        benches = [Bench(Path(folder) / str(index)) for index in range(told.jobs)]
        orders = []
        for module in told.modules:
            found = mutants((ROOT / module).read_text(encoding="utf-8"))
            counts[module, "there"] = len(found)
            if told.sample and told.sample < len(found):
                found = random.Random(told.seed).sample(found, told.sample)
            orders += [(module, mutant) for mutant in found]
        for (module, mutant), what in _tried(orders, benches, known, before):
            counts[module, what] += 1
            where = f"{module}:{mutant.line}: {mutant.text}  [{mutant.change}]"
            if told.log:
                _write(told.log, module, mutant, what)
            if what == "survived":
                lines.append(where)
                print(where, file=sys.stderr, flush=True)
    print(table(told.modules, counts))
    print(*(f"- {line}" for line in lines), sep="\n")
    sys.exit(bool(lines))


def _tried(
    orders: list[Order], benches: list[Bench], known: Unnoticed, before: dict[str, str]
) -> Iterator[tuple[Order, str]]:
    """What each change came to, several at a time."""
    limits: dict[tuple[str, ...], float] = {}
    running: dict[Bench, Order] = {}
    for module, mutant in orders:
        if known.reason(module, mutant) is not None:
            yield (module, mutant), "unnoticed"
            continue
        if before.get(_key(module, mutant)) in ("killed", "timeout"):
            yield (module, mutant), "killed"
            continue
        suite = SUITES[module]
        while len(running) == len(benches):
            yield from _ended(running)
        if suite not in limits:
            while running:
                yield from _ended(running)
            limits[suite] = max(_limit(bench, suite) for bench in benches)
        bench = next(bench for bench in benches if bench not in running)
        bench.start(module, mutant.source, suite, limits[suite])
        running[bench] = (module, mutant)
    while running:
        yield from _ended(running)


def _ended(running: dict[Bench, Order]) -> Iterator[tuple[Order, str]]:
    time.sleep(0.01)
    for bench in list(running):
        what = bench.ended()
        if what is not None:
            yield running.pop(bench), what


def _limit(bench: Bench, suite: tuple[str, ...]) -> float:
    """Seconds for a trial: some times what the tests take on what is right."""
    started = time.monotonic()
    bench.start("gradeprep/__init__.py", _text(bench), suite, 3600.0)
    what = bench.wait()
    if what != "survived":
        sys.exit(f"the tests fail without any change:\n{bench.said()}")
    return 20.0 + 4.0 * (time.monotonic() - started)


def _text(bench: Bench) -> str:
    return (bench.folder / "gradeprep/__init__.py").read_text(encoding="utf-8")


def _key(module: str, mutant: Mutant) -> str:
    return f"{module}: {mutant.text}: {mutant.change}"


def _read(log: Path) -> dict[str, str]:
    if not log.exists():
        return {}
    return dict(json.loads(line) for line in log.read_text(encoding="utf-8").splitlines())


def _write(log: Path, module: str, mutant: Mutant, what: str) -> None:
    if what != "unnoticed":
        with log.open("a", encoding="utf-8") as file:
            file.write(json.dumps([_key(module, mutant), what]) + "\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", default=list(SUITES), help="files [all known]")
    parser.add_argument("--jobs", type=int, default=1, help="trials at a time [1]")
    parser.add_argument("--sample", type=int, default=0, help="so many changes a module [all]")
    parser.add_argument("--seed", type=int, default=1, help="what a sample is drawn from [1]")
    parser.add_argument("--log", type=Path, help="what is noted, and not tried again once killed")
    told = parser.parse_args()
    strange = [module for module in told.modules if module not in SUITES]
    if strange:
        parser.error(f"no tests are named for {', '.join(strange)}; see tests/mutants/suites.py")
    return told


if __name__ == "__main__":
    main()

"""``python -m tests.scale``: runs here and on ``processes:2``, compares, prints Markdown.

Frames of 64 x 36 take next to no time, so what is left is what it costs to hand them out and to
write them down. Both places do the same recipe in the same order of turns; their results are
compared byte for byte.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import OpenEXR

SIZE = (64, 36)
RECIPE = """\
gradeprep: 1
shots:
  tiny:
    plate: "hot/tiny.#####.exr"
    space: ACEScg
    stages: [{pull: {stops: -2}}]
    output: {plate: "NAME/tiny.#####.exr"}
"""


def make_plate(folder: Path, frames: int) -> None:
    """Write a plate of that many frames, every one another picture."""
    random = np.random.default_rng(1)
    width, height = SIZE
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    folder.mkdir(parents=True)
    for number in range(1, frames + 1):
        light = random.random((3, height, width), dtype=np.float32).astype(np.float16)
        planes = dict(zip("RGB", light, strict=True))
        OpenEXR.File(header, planes).write(str(folder / f"tiny.{number:05d}.exr"))


def run(folder: Path, name: str, options: Sequence[str]) -> tuple[float, float]:
    """Seconds that a run takes, and megabytes that its parent has at its largest."""
    recipe = folder / f"{name}.yaml"
    recipe.write_text(RECIPE.replace("NAME", name), encoding="utf-8")
    command = (sys.executable, "-m", "tests.scale", "--inside", str(recipe), *options)
    begun = time.monotonic()
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return time.monotonic() - begun, float(done.stdout.splitlines()[-1])


def inside(arguments: Sequence[str]) -> None:
    """The program, followed by a line with this process's largest size in megabytes."""
    from gradeprep.cli import main as program

    sys.argv = ["gradeprep", "run", *arguments, "--quiet"]
    try:
        program()
    except SystemExit as left:
        if left.code:
            raise
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def results(folder: Path) -> dict[str, bytes]:
    """Everything that a run wrote; sidecars without their date."""
    found = {path.name: path.read_bytes() for path in folder.iterdir()}
    told = json.loads(found["tiny.stops.json"])
    told.pop("dated")
    return found | {"tiny.stops.json": json.dumps(told).encode()}


def main() -> None:
    """Measure what the command line asks for."""
    if sys.argv[1:2] == ["--inside"]:
        inside(sys.argv[2:])
        return
    parser = argparse.ArgumentParser(prog="python -m tests.scale", description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2, help="frames at once on this machine")
    parser.add_argument("--cluster", action="append", help="place; repeatable (processes:2)")
    parser.add_argument("--rounds", type=int, default=1)
    asked = parser.parse_args()
    ways = {
        "local": ["--jobs", str(asked.jobs)],
        **{on: ["--cluster", on] for on in asked.on or ["processes:2"]},
    }
    seconds: dict[str, list[float]] = {way: [] for way in ways}
    sizes: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        make_plate(folder / "hot", asked.frames)
        for turn in range(asked.rounds):
            for place, (way, options) in enumerate(ways.items()):
                took, sizes[way] = run(folder, f"{place}-{turn}", options)
                seconds[way].append(took)
        right = results(folder / "0-0")
        for place, way in enumerate(ways):
            assert results(folder / f"{place}-0") == right, f"{way} gave other bytes"
    base = min(seconds["local"])
    print(f"| {asked.frames} frames | s | frames/s | ms a frame over local | parent, MB |")
    print("|---|---|---|---|---|")
    for way, took in seconds.items():
        over = (min(took) - base) / asked.frames * 1000
        rate = asked.frames / min(took)
        print(f"| {way} | {min(took):.1f} | {rate:.0f} | {over:+.2f} | {sizes[way]:.0f} |")


if __name__ == "__main__":
    main()

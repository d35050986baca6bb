"""Spread a recipe over many machines from Python: one bundle, chunks anywhere, one seal.

    python examples/farm_bundle.py recipe.yaml bundle

Here every chunk runs on this machine, one after the other; a farm runs them side by side on
whatever machines see the bundle and the plates.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gradeprep.farm import bundle, openjd
from gradeprep.farm.chunk import run_chunk
from gradeprep.farm.freeze import freeze
from gradeprep.farm.gather import gather
from gradeprep.farm.places import read_places
from gradeprep.farm.rule import chunk_sizes
from gradeprep.model.framerange import FrameRange
from gradeprep.pipeline.cost import estimate
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe


def main(recipe: str, folder: str) -> None:
    asked, file = read_recipe(Path(recipe)), Path(recipe).absolute()
    plan = make_plan(asked, file.parent, Options())
    cost = estimate(plan, workers=400)
    print(f"{cost.frames} frames, {cost.processor_seconds:.3g} s of one processor")
    sizes = chunk_sizes(cost)
    frozen = freeze(plan, asked, file, form="openjd", chunk=sizes)
    entry = openjd.files(frozen.manifest, name=file.stem, chunk=sizes)
    bundle.save(Path(folder), {**frozen.files, **entry}, programs=frozenset())

    # On a node. Where the show is mounted elsewhere: read_places(["/show=/mnt/show"], ...).
    there = bundle.load(Path(folder))
    here = read_places([], there.manifest)
    for chunk in there.manifest.chunks:
        frames = FrameRange.parse(chunk.frames)
        done = run_chunk(there, chunk.shot, frames, places=here, jobs=1)
        print(f"{chunk.shot} {frames}: {done.done} done, {len(done.failed)} failed")

    # Once all have ended.
    for shot in there.manifest.shots:
        found = gather(there, shot, places=here, partial=False, jobs=4)
        print(f"{shot}: {'sealed' if found.complete else f'{found.missing} missing'}")


if __name__ == "__main__":
    main(*sys.argv[1:])

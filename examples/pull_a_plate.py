"""Pull one plate from Python: plan it, look at the decision, run it, read what was done.

    python examples/pull_a_plate.py hot.####.exr normal/hot.####.exr -3 ACEScct

Give the plate, where the result goes, the stops, and the colour space the camera recorded.
"""

from __future__ import annotations

import sys

import gradeprep


def main(plate: str, out: str, stops: str, space: str) -> None:
    asked = {
        "plate": plate,
        "space": space,
        "stages": [{"pull": {"stops": float(stops)}}],
        "output": {"plate": out},
    }
    plan = gradeprep.Recipe.of({"gradeprep": 1, "shots": {"plate": asked}}).plan()
    decided = plan.shots["plate"].document
    print(f"{len(decided.frames)} frames by {stops} stops, kernels {decided.kernels}")
    print(f"reversible: {decided.reversible.why}")

    result = plan.run().shots["plate"]
    assert result.record is not None, result.error
    for frame in result.record.frames:
        done = frame.finished
        print(frame.number, f"{frame.stops:+g} stops", done.counts.clipped, done.result.hash)
    print(f"sidecar: {result.sidecar}")


if __name__ == "__main__":
    main(*sys.argv[1:])

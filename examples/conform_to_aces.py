"""From a cut to ACES containers: the frames it uses of log DPX plates, pulled (SMPTE ST 2065-4).

    python examples/conform_to_aces.py cut.edl plates -3 ACEScct aces

Give the timeline (OpenTimelineIO, CMX3600 EDL or ALE), the folder of the plates, the stops, the
log space the camera recorded, and a folder for the results. Those are scene-linear half in
ACES2065-1, uncompressed, as the container wants it, with 8 frames of handles where they are there.
"""

from __future__ import annotations

import sys
from pathlib import Path

import gradeprep
from gradeprep.conform.gather import gather
from gradeprep.conform.library import find_plates
from gradeprep.conform.read import read_timeline


def main(timeline: str, plates: str, stops: str, space: str, out: str) -> None:
    found = gather(read_timeline(Path(timeline), None), find_plates(Path(plates)), handles=8)
    for remark in found.remarks:
        print(f"{remark.severity}: {remark}")
    if not found.shots:
        sys.exit("no event finds its plate")
    shots = {
        name: {"plate": str(use.plate.files.pattern), "frames": str(use.frames)}
        for name, use in found.shots.items()
    }
    defaults = {
        "space": space,
        "stages": [{"pull": {"stops": float(stops)}}],
        "output": {"plate": str(Path(out) / "{shot}" / "{shot}.####.exr"), "container": "aces"},
    }
    recipe = gradeprep.Recipe.of({"gradeprep": 1, "defaults": defaults, "shots": shots})

    for name, shot in recipe.plan().run().shots.items():
        assert shot.record is not None, shot.error
        print(f"{name}: {shot.record.result.frames} of {shot.record.colour.result}, {shot.sidecar}")


if __name__ == "__main__":
    main(*sys.argv[1:])

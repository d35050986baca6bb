"""Bring a scene to one exposure: the hero's stops are known, the others are read against it.

    python examples/scene_with_reference.py -2 ACEScg normal hero.####.exr wide.####.exr ...

Give the hero's stops, the colour space the camera recorded, a folder for the results, the hero's
plate, and the others'. All show one scene in one light.
"""

from __future__ import annotations

import sys
from pathlib import Path

import gradeprep


def main(stops: str, space: str, out: str, hero: str, *others: str) -> None:
    like_the_hero = {"meter": "reference", "shot": "hero", "mode": "frame"}
    shots = {"hero": {"plate": hero, "stages": [{"pull": {"stops": float(stops)}}]}}
    for number, plate in enumerate(others, 2):
        shots[f"shot_{number}"] = {"plate": plate, "stages": [{"pull": {"stops": like_the_hero}}]}
    output = {"plate": str(Path(out) / "{shot}" / "{shot}.####.exr")}
    defaults = {"space": space, "output": output}
    recipe = gradeprep.Recipe.of({"gradeprep": 1, "defaults": defaults, "shots": shots})

    for name, shot in recipe.plan().run().shots.items():
        assert shot.record is not None, shot.error
        read = "".join(f", read with sigma {one.sigma:.3f}" for one in shot.record.readings)
        print(f"{name}: {shot.record.frames[0].stops:+.3f} stops{read}")


if __name__ == "__main__":
    main(*sys.argv[1:])

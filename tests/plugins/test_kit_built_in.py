"""Every built-in plugin through the kit that other people's plugins are tested with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gradeprep.demo.chart import place
from gradeprep.plugins.registry import installed
from gradeprep.plugins.testing import (
    MemoryPlate,
    check_check,
    check_handover,
    check_meter,
    check_stage,
    hot_plate,
)

CARD = {"region": [36, 24, 24, 16]}


def plugin(kind: str, name: str) -> type:
    return type(installed().get(kind, name))


def names(kind: str) -> set[str]:
    """Built-in ones; whoever has others installed tests them elsewhere."""
    registry = installed()
    return {
        name
        for name in registry.names(kind)
        if registry.source(kind, name).startswith("gradeprep ")
    }


STAGES = [
    ("pull", {"stops": -3.0}),
    ("pull", {"stops": {1001: -3.0, 1048: -1.25}}),
    ("balance", {"stops": [0.5, 0.0, -1.0]}),
    ("lift", {"stops": 0.0}),
    ("lift", {"stops": 1.0}),
    ("lift", {"stops": 2.0, "below": -1.0, "softness": 4.0}),
    ("lift", {"stops": -6.0, "below": 0.0, "softness": 0.5}),
]


@pytest.mark.parametrize(("name", "params"), STAGES)
def test_stages(name, params):
    check_stage(plugin("stages", name), params)


def chart_plate() -> tuple[MemoryPlate, dict]:
    picture = np.full((72, 160, 3), 0.05, np.float32)
    patches = place(picture, corner=(1, 1), patch=12).patches
    (x, y, _, _), (right, bottom, width, height) = patches[0], patches[-1]
    right, bottom = right + width, bottom + height
    corners = [(x, y), (right, y), (right, bottom), (x, bottom)]
    grain = np.random.default_rng(1).normal(1.0, 0.005, picture.shape)
    return MemoryPlate({1001: picture * grain}), {"corners": corners, "batch": "iso17321"}


def camera_plate() -> MemoryPlate:
    plate = hot_plate()
    header = {"expTime": 0.02, "aperture": 5.6, "isoSpeed": 800.0}
    return replace(plate, headers=dict.fromkeys(plate.pictures, header))


def noted(folder) -> dict:
    text = "shot,aperture,time_s,index,density,ev100\ntrial,16,1/100,100,,15\n"
    (folder / "notes.csv").write_text(text, encoding="utf-8")
    return {"file": "notes.csv"}


def meters(folder):
    pair = replace(hot_plate(), others={"hero": hot_plate(0.0, shot="hero")})
    chart, corners = chart_plate()
    return [
        ("grey_card", CARD, None, True),
        ("average", {}, None, True),
        ("reference", {"shot": "hero", **CARD}, pair, True),
        ("reference", {"shot": "hero", "mode": "frame"}, pair, True),
        ("chart", corners, chart, True),
        ("header", {"intended": {"aperture": 8}}, camera_plate(), False),
        ("notes", noted(folder), replace(hot_plate(), folder=folder), False),
    ]


def test_meters(tmp_path):
    given = meters(tmp_path)
    for name, params, plate, follows in given:
        check_meter(plugin("meters", name), params, plate, follows=follows)
    assert {name for name, *_ in given} == names("meters")


def clipped() -> MemoryPlate:
    plate = hot_plate()
    return replace(plate, pictures={n: np.minimum(p, 1.0) for n, p in plate.pictures.items()})


def odd() -> MemoryPlate:
    plate = hot_plate()
    pictures = {n: p.copy() for n, p in plate.pictures.items()}
    pictures[1002][3, 4, 1] = np.nan
    return replace(plate, pictures=pictures)


FAULTY = {
    "clipping": clipped(),
    "pixels": odd(),
    "noise": None,
    "precision": None,
    "sequence": replace(hot_plate(), pictures=dict.fromkeys((1001, 1002), np.zeros((4, 4, 3)))),
}


@pytest.mark.parametrize("name", FAULTY)
def test_checks(name):
    check_check(plugin("checks", name), {}, faulty=FAULTY[name])
    assert set(FAULTY) == names("checks")


@pytest.mark.parametrize("name", sorted(names("handovers")))
def test_handovers(name):
    check_handover(plugin("handovers", name))


def test_no_built_in_stage_is_left_out():
    assert {name for name, _ in STAGES} == names("stages")

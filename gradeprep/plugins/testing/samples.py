"""What plugins are tried on: pixels, a hot plate, decided shots. The same at every call."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from gradeprep.model.order import ColourOrder, OutputOrder, StageOrder
from gradeprep.model.record import Counts, FileMark, PlateRecord, Reversible
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
from gradeprep.model.stops import GREY, gain
from gradeprep.plugins.contracts import Decided, Pixels
from gradeprep.plugins.testing.plate import MemoryPlate

__all__ = ["FIRST", "awkward_plates", "decided_shots", "hot_plate", "lit", "neutrals", "unlit"]

FIRST = 1001
_CONFIG = "ocio://studio-config-latest"
_Orders = tuple[StageOrder, ...]

_LIFT = {"stops": 1.0, "below": -3.0, "softness": 3.0}


def neutrals(low: float, high: float, step: float) -> Pixels:
    """One row of neutrals, 1 x N x 3, evenly spread in stops from grey."""
    tones = np.arange(low, high + step / 2, step)
    return np.repeat((GREY * np.exp2(tones)).astype(np.float32)[None, :, None], 3, axis=2)


def lit() -> Pixels:
    """Colours of positive light, 12 x 40 x 3, from 12 stops under grey to 8 over it."""
    dice = np.random.default_rng(1)
    tones = np.exp2(dice.uniform(-12.0, 8.0, (12, 40, 1)))
    return (GREY * tones * dice.uniform(0.2, 1.0, (12, 40, 3))).astype(np.float32)


def unlit() -> Pixels:
    """What else a plate holds, 3 x 40 x 3: black and its noise, negative colours, far too much."""
    dice = np.random.default_rng(2)
    noise = dice.normal(0.0, 1e-3, (1, 40, 3))
    odd = dice.uniform(-2.0, 2.0, (1, 40, 3))
    ends = np.resize([0.0, -0.0, 2.0**-24, -(2.0**-24), 65504.0, -65504.0, -1.0, 1.0], (1, 40, 3))
    return np.concatenate([noise, odd, ends]).astype(np.float32)


def hot_plate(stops: float = 2.0, frames: int = 3, shot: str = "trial") -> MemoryPlate:
    """A noisy scene with a grey card, exposed hot: 64 x 96 x 3.

    The card fills the region 36, 24, 24, 16 (x, y, width, height), or 3/8, 3/8, 1/4, 1/4.

    Args:
        stops: How hot.
        frames: Number of frames, from 1001 on; each has its own noise.
        shot: Name of the shot.
    """
    tones = np.linspace(-6.0, 2.5, 96)[None, :, None] + np.linspace(-0.5, 0.5, 64)[:, None, None]
    scene = GREY * np.exp2(tones) * np.asarray([1.0, 0.9, 0.8])
    scene[24:40, 36:60] = GREY
    pictures = {}
    for number in range(FIRST, FIRST + frames):
        grain = np.random.default_rng(number).normal(1.0, 0.005, scene.shape)
        pictures[number] = (scene * grain * gain(stops)).astype(np.float32)
    return MemoryPlate(pictures, shot=shot)


def awkward_plates() -> Mapping[str, MemoryPlate]:
    """Plates that nobody hopes for, by what is wrong with them."""
    shape = (64, 96, 3)
    return {
        "a black plate": MemoryPlate({FIRST: np.zeros(shape, np.float32)}, shot="black"),
        "a negative plate": MemoryPlate({FIRST: np.full(shape, -0.1, np.float32)}, shot="negative"),
        "a plate of NaN": MemoryPlate({FIRST: np.full(shape, np.nan, np.float32)}, shot="nan"),
        "a plate of one pixel": MemoryPlate({FIRST: np.ones((1, 1, 3), np.float32)}, shot="small"),
        "a flat plate": MemoryPlate({FIRST: np.full(shape, 1.0, np.float32)}, shot="flat"),
    }


def decided_shots(folder: Path) -> tuple[Decided, ...]:
    """Decisions on two shots: a plain pull, and a lift with a pull that drifts.

    Args:
        folder: Where their sidecars would stand; there are none.
    """
    plain: list[_Orders] = [(StageOrder(stage="pull", numbers={"stops": -2.0}),)] * 4
    drifting: list[_Orders] = [
        (
            StageOrder(stage="lift", numbers=_LIFT),
            StageOrder(stage="pull", numbers={"stops": -2.0 + index / 4}),
        )
        for index in range(4)
    ]
    return (
        _decided(folder, "quay_0100", plain, ()),
        _decided(folder, "quay_0110", drifting, ("lift",)),
    )


def _decided(folder: Path, shot: str, orders: list[_Orders], beyond: tuple[str, ...]) -> Decided:
    frames = tuple(_frame(shot, index, stages) for index, stages in enumerate(orders))
    plate = PlateRecord(
        pattern=f"{shot}.####.exr",
        frames=f"{FIRST}-{FIRST + len(orders) - 1}",
        format="exr",
        type="half",
        compression="zip",
        rate="24",
    )
    record = ShotDocument(
        tool="gradeprep",
        shot=shot,
        digest="sha256:" + "0" * 64,
        source=plate.model_copy(update={"pattern": f"../hot/{shot}.####.exr"}),
        result=plate,
        folder=".",
        colour=ColourOrder(
            config=_CONFIG, sha256="0" * 64, working="ACEScg", source="ACEScg", result="ACEScg"
        ),
        layers=("",),
        types=("half",),
        output=OutputOrder(format="exr", type="source", compression="source"),
        reversible=Reversible(exact=False, ulp=None, why="nobody restores a trial"),
        frames=frames,
    )
    gains = {frame.number: (gain(frame.stops),) * 3 for frame in frames}
    return Decided(record, folder / f"{shot}.stops.json", gains, beyond)


def _frame(shot: str, index: int, stages: _Orders) -> FrameEntry:
    number = FIRST + index
    stops = stages[-1].numbers["stops"]
    assert isinstance(stops, float)
    file, mark = f"{shot}.{number}.exr", FileMark(bytes=0, hash="xxh128:" + "0" * 32)
    return FrameEntry(
        number=number,
        source=f"../hot/{file}",
        result=file,
        stages=stages,
        stops=stops,
        kernels=("half-table",),
        done=FrameResult(
            source=mark, result=mark, counts=Counts(), timecode=f"10:00:00:{index:02d}"
        ),
    )

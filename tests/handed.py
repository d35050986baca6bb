"""Normalized shots to hand over, and the ways that others bring their sources back."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio
import pytest
import yaml
from filmed import stamp
from support import run, write_dpx, write_exr

from gradeprep import colour, sidecar
from gradeprep.colour import BUILT_IN
from gradeprep.handover.decided import decided
from gradeprep.model.order import ColourOrder, OutputOrder, StageOrder
from gradeprep.model.record import Counts, FileMark, PlateRecord, Reversible
from gradeprep.model.shot import FrameEntry, FrameResult, ShotDocument
from gradeprep.plates import files
from gradeprep.plugins.contracts import Decided

__all__ = ["apply", "brought_back", "mend", "normalized", "recorded", "told", "within_half_a_code"]

FIRST = 1001
SIZE = (24, 40)
LIFT = {"below": -3.0, "softness": 3.0}


def hot(kind: str, frame: int, *, log: bool) -> dict[str, np.ndarray]:
    """A noisy hot picture: light up to 60 and under 0, codes of a log curve, or ten-bit codes."""
    dice = np.random.default_rng(frame)
    if kind == "dpx":
        return {c: dice.integers(0, 1024, SIZE).astype(np.uint16) for c in "RGB"}
    if log:
        return {c: dice.uniform(0.06, 0.95, SIZE).astype(np.float16) for c in "RGB"}
    light = [2.0 ** dice.uniform(-12, 6, SIZE) - 0.002 for _ in "RGB"]
    return {c: plane.astype(np.float16) for c, plane in zip("RGB", light, strict=True)}


def normalized(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    *stages: Mapping[str, object],
    name: str = "quay",
    space: str = "ACEScg",
    kind: str = "exr",
    frames: int = 2,
    first: int = FIRST,
    config: str = BUILT_IN,
    working: str = "scene_linear",
    output: Mapping[str, object] | None = None,
) -> Path:
    """A shot brought back by some stages; its sidecar."""
    for index in range(frames):
        path = folder / "hot" / f"{name}.{first + index:04d}.{kind}"
        label = f"10:00:00:{index:02d}"
        if kind == "dpx":
            write_dpx(path, hot(kind, index, log=True), timecode=label, rate="24")
        else:
            header = {"timeCode": stamp(label), "framesPerSecond": Fraction(24)}
            write_exr(path, hot(kind, index, log=space == "ACEScct"), **header)
    recipe = folder / f"{name}.yaml"
    shot = {
        "plate": f"hot/{name}.####.{kind}",
        "space": space,
        "stages": list(stages),
        "output": {"plate": f"back/{name}/{name}.####.{kind}", **(output or {})},
    }
    asked = {
        "gradeprep": 1,
        "colour": {"config": config, "working": working},
        "shots": {name: shot},
    }
    recipe.write_text(yaml.safe_dump(asked), encoding="utf-8")
    ran = run(capsys, "run", recipe, "--quiet")
    assert ran.code == 0, ran
    return folder / "back" / name / f"{name}.stops.json"


def mend(path: Path, old: str, new: str) -> None:
    """Change a text in a file, where it is."""
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def recorded(path: Path) -> np.ndarray:
    """Colour of a frame as its samples stand in the file: codes as a share, float32 1 x N x 3."""
    frame = files.read(path)
    planes = [frame.parts[0].channels[c] for c in "RGB"]
    top = 1023.0 if planes[0].dtype == np.uint16 else 1.0
    share = [plane.astype(np.float64) / top for plane in planes]
    return np.ascontiguousarray(np.stack(share, axis=-1).reshape(1, -1, 3), np.float32)


def brought_back(
    path: Path, by: ocio.Transform, *, index: int = 0, coded: bool = False
) -> tuple[np.ndarray, np.ndarray, str]:
    """Another's way with a frame of a shot, and ours.

    Args:
        path: The shot's sidecar.
        by: What another tool loaded from a hand-over.
        index: Which frame.
        coded: It goes from the source's codes to the result's; else from light to light.

    Returns:
        What the transform makes of the source, what stands in the result, and the result's type.
    """
    record = sidecar.load(path)
    frame = record.frames[index]
    source, result = (recorded(Path(one)) for one in (frame.source, frame.result))
    own = record.colour
    steps = [by]
    if not coded:
        steps.insert(0, ocio.ColorSpaceTransform(own.source, own.working))
        steps.append(ocio.ColorSpaceTransform(own.working, own.result))
    apply(colour.load(own.config).config, ocio.GroupTransform(steps), source)
    return source, result, record.result.type


def apply(config: ocio.Config, transform: ocio.Transform, rgb: np.ndarray) -> None:
    """Send float32 1 x N x 3 through a transform, in place."""
    ocio.ClearAllCaches()
    cpu = config.getProcessor(transform).getOptimizedCPUProcessor(
        ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_LOSSLESS
    )
    cpu.apply(ocio.PackedImageDesc(rgb, rgb.shape[1], rgb.shape[0], 3))


def within_half_a_code(theirs: np.ndarray, ours: np.ndarray, kind: str) -> bool:
    """Half a unit in the last place of a half (IEEE 754), or half a ten-bit code.

    Both sides calculate in float32; the slack is what that leaves open.
    """
    if kind == "uint10":
        codes = np.clip(theirs.astype(np.float64) * 1023, 0, 1023)
        return bool(np.all(np.abs(codes - ours.astype(np.float64) * 1023) <= 0.5 + 2e-3))
    step = np.spacing(np.abs(ours).astype(np.float16)).astype(np.float64)
    slack = 4e-6 * np.maximum(np.abs(ours), 1e-3)
    return bool(np.all(np.abs(theirs.astype(np.float64) - ours) <= step / 2 + slack))


def told(
    folder: Path,
    labels: Mapping[int, str | None],
    *,
    name: str = "quay",
    rate: str | None = "24",
    pattern: str = "{}.####.exr",
    stages: Mapping[str, float] | None = None,
    carried: Mapping[str, object] | None = None,
) -> Decided:
    """A decision on a shot that nobody normalized: frame number to timecode label."""
    numbers = sorted(labels)
    pattern = pattern.format(name)
    orders = tuple(
        StageOrder(stage=stage, numbers={"stops": stops, **(LIFT if stage == "lift" else {})})
        for stage, stops in (stages or {"pull": -2.0}).items()
    )
    mark = FileMark(bytes=0, hash="xxh128:")
    plate = PlateRecord(
        pattern=pattern,
        frames=f"{numbers[0]}-{numbers[-1]}" if len(numbers) > 1 else str(numbers[0]),
        format="exr",
        type="half",
        compression="zip",
        rate=rate,
    )
    frames = tuple(
        FrameEntry(
            number=number, source=pattern, result=pattern, stages=orders, stops=-2.0,
            kernels=("half-table",),
            done=FrameResult(
                source=mark, result=mark, counts=Counts(), timecode=labels[number]
            ),
        )
        for number in numbers
    )  # fmt: skip
    record = ShotDocument(
        tool="gradeprep",
        shot=name,
        digest="sha256:" + "0" * 64,
        source=plate.model_copy(update={"pattern": f"../hot/{pattern}"}),
        result=plate,
        folder=".",
        colour=ColourOrder(
            config=BUILT_IN, sha256="", working="ACEScg", source="ACEScg", result="ACEScg"
        ),
        layers=("",),
        types=("half",),
        output=OutputOrder(format="exr", type="source", compression="source"),
        reversible=Reversible(exact=True, ulp=0.0, why="a plain gain"),
        frames=frames,
        carried=carried or {},
    )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.stops.json"
    sidecar.save(record, path)
    return decided(path)

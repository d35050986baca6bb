"""The demo: shoot the film hot, write its plates and recipe, run it, compare it with the truth.

Nothing here knows a shortcut: the plates go to disk, the recipe is run as any recipe is, and what
is judged is read back from the written plates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep import colour
from gradeprep.demo.picture import SheetRow
from gradeprep.demo.scenes import SHOTS, ShotTruth, Size, shoot
from gradeprep.errors import OutputRefusedError
from gradeprep.model.frame import Frame, Part
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PIXEL_TYPES, top_code
from gradeprep.model.shot import FrameEntry, ShotDocument
from gradeprep.pipeline.decision import prepare
from gradeprep.plates import files, formats
from gradeprep.plates.atomic import publish
from gradeprep.plates.format import Shared, Stamp
from gradeprep.plugins.contracts import Light
from gradeprep.runners.job import Job

__all__ = ["Judged", "judge", "shoot_film", "write_recipe"]

SEED = 11
WORKING = "ACEScg"
_SPACES = {"slipway_010": "ACEScg", "loft_020": "ACEScct", "quay_030": "ACEScct"}
_TOP = 1023

Picture = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Judged:
    """A shot held against the truth.

    Attributes:
        shot: The truth.
        applied: Pull of the first and the last frame, in stops.
        error: Largest error of a patch of the chart or of the card, over all frames, in stops.
        noise: Noise in the deep shadow, as a share of the noise of the same scene shot at normal
            exposure and lifted alike.
        row: Its pictures, for the contact sheet.
    """

    shot: ShotTruth
    applied: tuple[float, float]
    error: float
    noise: float
    row: SheetRow


def shoot_film(folder: Path, size: Size, report: Callable[[str], None]) -> None:
    """Write the hot plates of all shots: EXR in scene-linear and log half, 10-bit log DPX.

    Raises:
        OutputRefusedError: The folder holds something already.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputRefusedError(
            "is there and not empty", file=folder, remedy="name a new folder for the demo"
        )
    for shot in SHOTS:
        report(f"shooting {shot.name}: {shot.count} frames, {shot.stops:+g} stops hot")
        for frame in shot.frames:
            path = _hot(folder, shot, frame)
            path.parent.mkdir(parents=True, exist_ok=True)
            picture = shoot(shot, frame, size, stops=shot.stops, seed=SEED)
            plate = _plate(shot, frame, picture, path.name)
            publish(path, partial(files.write, plate), files.inspect)


def _hot(folder: Path, shot: ShotTruth, frame: int) -> Path:
    return folder / "hot" / shot.name / f"{shot.name}.{frame:04d}.{shot.format}"


def _plate(shot: ShotTruth, frame: int, picture: Picture, filename: str) -> Frame:
    """The camera's file of a frame, in the space it records, with its timecode."""
    space, writer = _SPACES[shot.name], formats.writable(shot.format)
    encoded = _converted(picture, WORKING, space)
    kind = writer.default_type("half")
    dtype, bits, _ = PIXEL_TYPES[kind]
    if bits is not None:
        encoded = np.rint(encoded.clip(0.0, 1.0) * top_code(bits))
    planes = {name: encoded[..., i].astype(dtype) for i, name in enumerate("RGB")}
    output = OutputOrder(format=shot.format, type=kind, compression=writer.DEFAULT_COMPRESSION)
    encoding = "scene-linear" if space == WORKING else "log"
    stamp = Stamp(0.0, (), space_changed=False, chromaticities=None, encoding=encoding)
    shared = Shared(timecode=_timecode(shot, frame), rate=shot.rate)
    source = Frame("", (Part("", dict(sorted(planes.items())), {}, bits),))
    return writer.carried(source, shared, {}, output, stamp, filename)[0]


def _timecode(shot: ShotTruth, frame: int) -> str:
    """Label of a frame; a shot this short never leaves its minute (SMPTE ST 12-1)."""
    hours, minutes, seconds, frames = (int(part) for part in shot.timecode.split(":"))
    rate = int(shot.rate)
    total = seconds * rate + frames + frame - shot.first
    return f"{hours:02d}:{minutes:02d}:{total // rate:02d}:{total % rate:02d}"


def _converted(picture: Picture, source: str, result: str) -> Picture:
    picture = np.ascontiguousarray(picture, np.float32).copy()
    convert = colour.load(colour.BUILT_IN).convert(source, result)
    if convert is not None:
        convert(picture)
    return picture


def write_recipe(folder: Path, size: Size) -> Path:
    """Write the film's recipe: every shot says by itself how hot it is."""
    slipway, loft, quay = SHOTS
    text = f"""\
# A boat builder's short film, shot hot on purpose. Nobody wrote down by how much: a grey card or
# a 24-patch chart in each picture shows.
gradeprep: 1
colour: {{config: "{colour.BUILT_IN}", working: scene_linear}}
defaults:
  output: {{plate: "normalized/{{shot}}/{{shot}}.####.exr"}}
  checks: {{sequence: {{}}, pixels: {{}}, clipping: {{}}}}
shots:
  # The slipway at noon: read from the grey card. The shadows under the hull are opened first.
  {slipway.name}:
    plate: "hot/{{shot}}/{{shot}}.####.exr"
    space: {_SPACES[slipway.name]}
    stages:
      - lift: {{stops: 0.7, below: -3.0, softness: 3.0}}
      - pull: {{stops: {{meter: grey_card, region: {_inside(slipway, size)}}}}}
  # The sail loft: read from the chart.
  {loft.name}:
    plate: "hot/{{shot}}/{{shot}}.####.exr"
    space: {_SPACES[loft.name]}
    stages:
      - lift: {{stops: 1.0, below: -3.5, softness: 3.0}}
      - pull: {{stops: {{meter: chart, batch: iso17321, corners: {_corners(loft, size)}}}}}
  # The quay at dusk: the light drifts, so every frame is read and the pull follows; log DPX.
  {quay.name}:
    plate: "hot/{{shot}}/{{shot}}.####.dpx"
    space: {_SPACES[quay.name]}
    stages:
      - pull: {{stops: {{meter: grey_card, per_frame: true, region: {_inside(quay, size)}}}}}
    output: {{plate: "normalized/{{shot}}/{{shot}}.####.dpx"}}
"""
    path = folder / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def _inside(shot: ShotTruth, size: Size) -> list[int]:
    """The middle of the grey card, clear of its edges."""
    x, y, width, height = shot.scene(shot.first, size).card
    return [x + width // 4, y + height // 4, width // 2, height // 2]


def _corners(shot: ShotTruth, size: Size) -> list[list[int]]:
    """Outer corners of the chart's patches, clockwise from the first patch's."""
    patches = shot.scene(shot.first, size).patches
    left, top = patches[0][:2]
    x, y, width, height = patches[-1]
    return [[left, top], [x + width, top], [x + width, y + height], [left, y + height]]


def judge(job: Job, folder: Path, size: Size) -> Iterator[Judged]:
    """Hold every shot's written plates against the scene as it was."""
    for shot in SHOTS:
        record = job.shots[shot.name].record
        if record is not None:
            yield _judged(shot, record, folder, size)


def _judged(shot: ShotTruth, record: ShotDocument, folder: Path, size: Size) -> Judged:
    errors, noises = [], []
    middle = shot.frames[len(shot.frames) // 2]
    for frame in record.frames:
        scene = shot.scene(frame.number, size)
        truth = _lifted(scene.picture, frame)
        result = _read(folder, shot, frame)
        normal = _through_file(shot, frame.number, _shoot_normal(shot, frame.number, size))
        errors.append(_worst_patch(result, truth, (scene.card, *scene.patches)))
        ours = _noise(result - truth, scene.shadow)
        noises.append(ours / _noise(_lifted(normal, frame) - truth, scene.shadow))
        if frame.number == middle:
            pictures = (result, _lifted(normal, frame))
    noise = float(np.median(noises))
    return Judged(
        shot=shot,
        applied=(record.frames[0].stops, record.frames[-1].stops),
        error=max(errors),
        noise=noise,
        row=_row(shot, middle, folder, size, pictures, noise),
    )


def _shoot_normal(shot: ShotTruth, frame: int, size: Size) -> Picture:
    """The same moment, with the camera set so that it needs no pull."""
    return shoot(shot, frame, size, stops=-shot.light(frame), seed=SEED)


def _lifted(picture: Picture, frame: FrameEntry) -> Picture:
    """A picture at its intended exposure through a frame's stages, the pull left out."""
    picture = picture.copy()
    weights = colour.load(colour.BUILT_IN).weights(WORKING)
    for step in prepare(frame.stages, weights).steps:
        if step.exposure == 0.0:
            picture = replace(step, light=Light(weights, 0.0)).apply(picture, backwards=False)
    return picture


def _read(folder: Path, shot: ShotTruth, frame: FrameEntry) -> Picture:
    path = folder / "normalized" / shot.name / frame.result
    return _decoded(files.read(path), _SPACES[shot.name])


def _decoded(frame: Frame, space: str) -> Picture:
    part = frame.parts[0]
    scale = 1.0 if part.bits is None else float(_TOP)
    rgb = np.stack([part.channels[name].astype(np.float32) / scale for name in "RGB"], axis=-1)
    return _converted(rgb, space, WORKING)


def _through_file(shot: ShotTruth, number: int, picture: Picture) -> Picture:
    """What the same camera file would have kept of another exposure."""
    return _decoded(_plate(shot, number, picture, "normal"), _SPACES[shot.name])


def _worst_patch(result: Picture, truth: Picture, rects: tuple[tuple[int, ...], ...]) -> float:
    """Largest difference of a patch's mean luminance from the truth, in stops."""
    weights = np.asarray(colour.load(colour.BUILT_IN).weights(WORKING))
    errors = []
    for x, y, width, height in rects:
        inside = np.s_[y + 1 : y + height - 1, x + 1 : x + width - 1]
        ratio = float((result[inside] @ weights).mean() / (truth[inside] @ weights).mean())
        errors.append(abs(float(np.log2(ratio))))
    return max(errors)


def _noise(difference: Picture, rect: tuple[int, int, int, int]) -> float:
    x, y, width, height = rect
    return float(difference[y : y + height, x : x + width].std())


def _row(
    shot: ShotTruth,
    frame: int,
    folder: Path,
    size: Size,
    pictures: tuple[Picture, Picture],
    noise: float,
) -> SheetRow:
    return SheetRow(
        name=shot.name,
        as_shot=_decoded(files.read(_hot(folder, shot, frame)), _SPACES[shot.name]),
        normalized=pictures[0],
        normal=pictures[1],
        shadow=shot.scene(frame, size).shadow,
        notes=(
            f"frame {frame}, recorded {-shot.pull(frame):+.2f} stops over",
            f"pulled by {shot.pull(frame):+.2f} stops",
            f"noise in the shadow: {noise:.2f} of a normal exposure's",
        ),
    )

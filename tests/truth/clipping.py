"""Clipping on plates of the camera model: what the check and the meters say against the truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from fakeview import FakeView

from gradeprep.checks.clipping import Clipping, ClippingParams
from gradeprep.errors import RequestError
from gradeprep.meters.grey_card import GreyCard, GreyCardParams
from gradeprep.onset.testplate import measured_ceiling

from .scenes import CARD, KINDS, card, scene
from .sensor import MATRIX, Camera, dwaa, half, linear_scale, log_codes, log_scale

__all__ = ["ROWS", "Row", "Score", "card_score", "plate_score"]

LEAST = 0.01
"""Share of a frame that must be found, 600 pixels; less is scored neither way."""

NEAR = 1.1
"""Light times this that reaches no ceiling is whole; what lies between is scored neither way."""

LEVEL = 0.1
"""Stops within which a test plate's ceiling is right."""


@dataclass(frozen=True)
class Row:
    """One kind of processing: the camera's, how it is stored, and how many frames there are."""

    camera: Mapping[str, object]
    store: Callable[[np.ndarray], np.ndarray] = half
    frames: int = 2
    kinds: tuple[str, ...] = KINDS


ROWS = {
    "sensor, half": Row({}),
    "bilinear debayer": Row({"debayer": "bilinear"}),
    "edge-aware debayer": Row({"debayer": "edge"}),
    "3x3 matrix": Row({"matrix": MATRIX}),
    "3x3 matrix, bilinear": Row({"matrix": MATRIX, "debayer": "bilinear"}),
    "3x3 matrix, edge-aware": Row({"matrix": MATRIX, "debayer": "edge"}),
    "site spread 0.4 %": Row({"spread": 0.004}),
    "site spread, matrix": Row({"spread": 0.004, "matrix": MATRIX}),
    "shading after the clip": Row({"shading": 0.8}),
    "shading, bilinear, matrix": Row({"shading": 0.8, "debayer": "bilinear", "matrix": MATRIX}),
    "soft knee": Row({"knee": 0.1}),
    "denoised": Row({"debayer": "bilinear", "denoise": 0.8}),
    "scaled to half": Row({"resize": 2, "debayer": "bilinear"}),
    "DWAA": Row({"debayer": "bilinear"}, dwaa),
    "10-bit log": Row({"debayer": "bilinear"}, log_codes),
    "10-bit log, matrix": Row({"matrix": MATRIX}, log_codes),
    "one frame, half": Row({}, frames=1),
    "one frame, matrix": Row({"matrix": MATRIX}, frames=1),
    "one frame, bilinear": Row({"debayer": "bilinear"}, frames=1),
    "white wall, 10-bit log": Row({"debayer": "bilinear"}, log_codes, kinds=("wall",)),
}


@dataclass
class Score:
    """Counts over plates.

    Attributes:
        right: Channels with the right answer.
        missed: Clipped channels that were not found.
        alarms: Whole channels that were called clipped.
        promises: Notes that promise headroom although no ceiling is known.
        levels: Differences of a test plate's ceiling from the truth, in stops.
        refused: Clipped cards that were refused.
        read: Clipped cards that were read all the same.
        whole: Unclipped cards that were read.
        held: Unclipped cards that were refused.
        wrong: One line on each wrong answer.
    """

    right: int = 0
    missed: int = 0
    alarms: int = 0
    promises: int = 0
    levels: list[float] = field(default_factory=list)
    refused: int = 0
    read: int = 0
    whole: int = 0
    held: int = 0
    wrong: list[str] = field(default_factory=list)


def _camera(row: Row, seed: int) -> Camera:
    return Camera(full_well=(15e3, 30e3, 60e3)[seed // 5 % 3], **row.camera)  # type: ignore[arg-type]


def _view(row: Row, camera: Camera, light: np.ndarray, seed: int) -> FakeView:
    if camera.resize > 1:
        light = np.kron(light, np.ones((camera.resize, camera.resize, 1)))
    stored = {n: row.store(camera.expose(light, [seed, n])) for n in range(1, row.frames + 1)}
    if row.store is not log_codes:
        return FakeView(stored, scale=linear_scale())
    curve = log_scale()
    linear = {
        n: (0.18 * np.exp2(curve.tone(codes))).astype(np.float32) for n, codes in stored.items()
    }

    def encode(pixels: np.ndarray) -> np.ndarray:
        return log_codes(pixels)

    return FakeView(linear, scale=curve, encode=encode)


def plate_score(row: Row, seed: int, score: Score) -> None:
    """Adds what the check says of one plate; even seeds are clipped."""
    dice = np.random.default_rng([20261, seed])
    kind = row.kinds[seed // 2 % len(row.kinds)]
    camera = _camera(row, seed)
    hot = dice.uniform(0.6, 1.6) if seed % 2 == 0 else dice.uniform(-2.3, -1.1)
    light = scene(kind, dice, camera.clip + hot)
    big = np.kron(light, np.ones((camera.resize, camera.resize, 1)))
    share = camera.lost(big).mean(axis=(0, 1))
    touched = camera.lost(big * NEAR).any(axis=(0, 1))
    view = _view(row, camera, light, seed)
    findings = list(Clipping().look(view, ClippingParams()))
    found = {f.channel for f in findings if "share" in f.numbers}
    score.promises += sum(f.numbers.get("known") is True for f in findings)
    for channel, name in enumerate("RGB"):
        if share[channel] >= LEAST and name not in found:
            score.missed += 1
            score.wrong.append(f"{seed} {kind}: {name} missed ({share[channel]:.2%})")
        elif not touched[channel] and name in found:
            score.alarms += 1
            score.wrong.append(f"{seed} {kind}: {name} called clipped")
        elif share[channel] >= LEAST or not touched[channel]:
            score.right += 1
    if max(share) >= LEAST:
        first = int(np.argmin(np.where(share >= LEAST, camera.ceilings, np.inf)))
        try:
            level = measured_ceiling(view).stops
        except RequestError:
            return  # counted as missed
        score.levels.append(level - float(np.log2(camera.ceilings[first] / 0.18)))


def card_score(row: Row, seed: int, score: Score) -> None:
    """Adds whether the grey card meter reads one card; even seeds are clipped in green."""
    dice = np.random.default_rng([20262, seed])
    camera = _camera(row, seed)
    clipped = seed % 2 == 0
    hot = dice.uniform(0.08, 1.6) if clipped else dice.uniform(-3.0, -0.6)
    view = _view(row, camera, card(dice, camera.clip + hot), seed)
    params = GreyCardParams(region=CARD, frame=1)
    try:
        GreyCard().read(view, params)
    except ValueError as error:
        refused = "clipped" in str(error)
    else:
        refused = False
    if clipped:
        score.refused += refused
        score.read += not refused
    else:
        score.held += refused
        score.whole += not refused
    if refused != clipped:
        score.wrong.append(f"{seed} card at {hot:+.2f} of the clip: refused {refused}")

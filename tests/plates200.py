"""Two hundred simulated plates, half of them clipped: a sensor, scenes, encodings; all seeded.

The sensor is the linear camera model of EMVA Standard 1288 (`gradeprep.demo.sensor`). The
truth of a plate is the share of samples of each channel that hold nothing but clipped light.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from fakeview import LINEAR, FakeView

from gradeprep.demo.sensor import Sensor
from gradeprep.model.stops import GREY
from gradeprep.plugins.contracts import Scale

__all__ = ["KINDS", "Simulated", "log_scale", "simulate"]

HEIGHT, WIDTH = 216, 384
KINDS = ("lamps", "window", "sky", "patch", "texture")
RECORDINGS = ("half", "float", "log10", "log12")
STOPS_OF_LOG = 17.5
Y, X = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
BETWEEN = ((X + Y) % 2 == 1)[..., None]
"""Photosites without the colour: bilinear demosaicing takes the mean of those beside them."""


@dataclass(frozen=True)
class Simulated:
    """A plate, what it is, and the truth about it: shares clipped, channels touched at all."""

    name: str
    view: FakeView
    shares: tuple[float, float, float]
    touched: tuple[bool, bool, bool]


def to_log(light):
    """A pure logarithm: 10 stops under grey at 0, 7.5 above it at 1."""
    return (np.log2(np.maximum(light, 1e-9) / GREY) + 10.0) / STOPS_OF_LOG


def log_scale(bits):
    return Scale(1.0, 1.0 / (2**bits - 1), True, lambda v: np.asarray(v) * STOPS_OF_LOG - 10.0)


def coarse(dice, cell):
    """Smooth random texture about 1, one bump about every ``cell`` pixels."""
    down, across = _between(HEIGHT, cell), _between(WIDTH, cell)
    grid = dice.normal(0.0, 1.0, (down.shape[1], across.shape[1])).astype(np.float32)
    return np.exp2(0.5 * (down @ grid @ across.T))


def _between(size, cell):
    """Weights of grid points at each pixel, smooth from one to the next: size x points."""
    place = np.arange(size) / cell
    first = place.astype(int)
    share = place - first
    share = share * share * (3.0 - 2.0 * share)
    weights = np.zeros((size, size // cell + 2), np.float32)
    weights[np.arange(size), first] = 1.0 - share
    weights[np.arange(size), first + 1] = share
    return weights


@cache
def background(number):
    dice = np.random.default_rng([20241, number])
    return 0.12 * coarse(dice, 40) * coarse(dice, 12) * coarse(dice, 5)


def lamps(dice, area):
    """A lamp: a bulb a few stops over its halo; 1 at the rim of the bulb."""
    radius = np.sqrt(area * WIDTH * HEIGHT / np.pi)
    x, y = dice.uniform(0.2, 0.8, 2) * (WIDTH, HEIGHT)
    far = np.hypot(X - x, Y - y) / radius
    return np.exp2(dice.uniform(1.0, 4.0) * (1.0 - far**2)).clip(0.02 / (1.0 + far), None)


def window(dice, area):
    """A bright opening with hard edges, textured inside."""
    width = np.sqrt(area * WIDTH * HEIGHT * dice.uniform(0.6, 1.7))
    height = area * WIDTH * HEIGHT / width
    x, y = dice.uniform(0.15, 0.5, 2) * (WIDTH, HEIGHT)
    inside = (abs(X - x - width / 2) <= width / 2) & (abs(Y - y - height / 2) <= height / 2)
    return np.where(inside, 1.5 * coarse(dice, 20), 0.03)


def sky(dice, area):
    """A sky that brightens to the horizon and around a sun behind haze."""
    x = dice.uniform(0.2, 0.8) * WIDTH
    far = np.hypot(X - x, Y - HEIGHT * dice.uniform(0.0, 0.6)) / WIDTH
    glow = np.exp2(-dice.uniform(2.0, 8.0) * far)
    return glow / np.quantile(glow, 1.0 - area)


def patch(dice, area):
    """Something white, evenly lit."""
    side = np.sqrt(max(area, 0.002) * WIDTH * HEIGHT)
    x, y = dice.uniform(0.1, 0.6, 2) * (WIDTH, HEIGHT)
    inside = (abs(X - x) < side / 2) & (abs(Y - y) < side / 2)
    return np.where(inside, 1.0 + 0.001 * (X - x) / side, 0.03)


def texture(dice, area):
    """Bright texture without any flat place."""
    made = coarse(dice, 9) * coarse(dice, 4)
    return made / np.quantile(made, 1.0 - area)


SCENES = {"lamps": lamps, "window": window, "sky": sky, "patch": patch, "texture": texture}


def simulate(seed):
    """One plate: even seeds are clipped, odd ones are not."""
    dice = np.random.default_rng([20240, seed])
    clipped = seed % 2 == 0
    kind = KINDS[(seed // 2) % len(KINDS)]
    recording = RECORDINGS[(seed // 10) % len(RECORDINGS)]
    area = float(np.exp(dice.uniform(np.log(1e-4), np.log(0.2))))
    sensor = Sensor(full_well=float(dice.choice([15e3, 30e3, 60e3])))
    tint = np.array([dice.uniform(0.8, 1.9), 1.0, dice.uniform(0.8, 1.5)], np.float32)
    light = SCENES[kind](dice, area).astype(np.float32)
    base = background(seed % 7)
    green = sensor.ceiling[1]
    scene = np.maximum(light * green, base)[..., None] * tint
    ceiling = np.asarray(sensor.ceiling, np.float32)
    if clipped and kind == "patch":
        scene = np.where(light[..., None] > 0.5, scene * np.float32(1.3), scene)
    if not clipped:
        peak = (scene / ceiling).max()
        scene *= np.exp2(-np.float32(dice.uniform(0.15, 2.0))) / peak
    recorded = sensor.expose(np.ascontiguousarray(scene), stops=0.0, seed=[7, seed])
    cut = recorded >= ceiling * np.float32(1.0 - 1e-5)
    touched = cut.any(axis=(0, 1))
    demosaiced, rippled = dice.random() < 0.4, clipped and dice.random() < 0.3
    if demosaiced:
        recorded = np.where(
            BETWEEN, 0.5 * (np.roll(recorded, 1, 1) + np.roll(recorded, -1, 1)), recorded
        )
        cut = np.where(BETWEEN, np.roll(cut, 1, 1) & np.roll(cut, -1, 1), cut)
    if rippled:
        ripple = dice.normal(1.0, dice.uniform(2e-4, 1e-3), recorded.shape)
        recorded = recorded * ripple.astype(np.float32)
    recorded = recorded * np.float32(dice.uniform(0.3, 0.7))
    name = f"{seed} {'clipped' if clipped else 'whole'} {kind} {recording}"
    name += " demosaiced" * demosaiced + " rippled" * rippled
    shares = tuple(float(share) for share in cut.mean(axis=(0, 1)))
    return Simulated(
        name, _view(recorded.astype(np.float32), recording), shares, tuple(map(bool, touched))
    )


def _view(recorded, recording):
    if recording == "half":
        scale = Scale(65504.0, 0.0, False, LINEAR.tone)
        return FakeView({1: recorded.astype(np.float16).astype(np.float32)}, scale=scale)
    if recording == "float":
        return FakeView({1: recorded})
    bits = int(recording.removeprefix("log"))
    top = 2**bits - 1
    codes = np.rint(to_log(recorded).clip(0.0, 1.0) * top).astype(np.float32) / np.float32(top)
    return FakeView({1: codes}, scale=log_scale(bits))

"""Invented light for the camera model: bright things of five kinds before a dim, textured place."""

from __future__ import annotations

import numpy as np

from gradeprep.model.stops import GREY

__all__ = ["CARD", "KINDS", "card", "scene"]

KINDS = ("lamp", "window", "sky", "wall", "flat")
HEIGHT, WIDTH = 192, 320

CARD = (100, 60, 72, 56)
"""Where `card` puts its card: x, y, width, height."""


def scene(kind, dice, peak):
    """Light of a scene whose bright thing stands ``peak`` stops over grey in green.

    Args:
        kind: One of `KINDS`.
        dice: Random generator.
        peak: Stops from grey of the brightest light that covers an area.

    Returns:
        H x W x 3, scene-linear.
    """
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    place = _background(dice)
    tint = np.exp2(dice.uniform(-0.5, 0.5, 3) * (1.0, 0.0, 1.0))
    bright = GREY * 2.0**peak
    area = np.exp(dice.uniform(np.log(0.01), np.log(0.15))) * HEIGHT * WIDTH
    left, top = dice.uniform(0.1, 0.55, 2) * (WIDTH, HEIGHT)
    if kind == "lamp":
        far = np.hypot(x - left - 40, y - top - 30) / np.sqrt(area / np.pi)
        light = bright * np.exp2(-2.0 * far**2).clip(0.001, None)
    elif kind == "sky":
        far = np.hypot(x - left, 1.5 * (y + 20)) / WIDTH
        light = bright * np.exp2(-dice.uniform(1.5, 5.0) * far)
    else:
        width = np.sqrt(area * dice.uniform(0.6, 1.7))
        inside = (x >= left) & (x < left + width) & (y >= top) & (y < top + area / width)
        texture = {"window": 0.6, "wall": 0.08, "flat": 0.0}[kind]
        made = np.exp2(texture * (_coarse(dice, 16) - 1.0))
        slope = 1.0 if kind == "flat" else 1.0 + 0.15 * (x - left) / WIDTH
        light = np.where(inside, bright * made * slope, 0.0)
    return np.maximum(light[..., None] * tint, place)


def card(dice, stops):
    """A grey card ``stops`` over grey, evenly lit, before a dim, textured place."""
    light = _background(dice)
    x, y, width, height = CARD
    light[y - 6 : y + height + 6, x - 6 : x + width + 6] = GREY * 2.0**stops
    return light


def _background(dice):
    light = 0.12 * np.exp2(2.2 * _coarse(dice, 40) + 0.9 * _coarse(dice, 9))
    tint = np.stack([_coarse(dice, 24) for _ in range(3)], axis=-1)
    return light[..., None] * np.exp2(0.5 * tint)


def _coarse(dice, cell):
    """Smooth random texture of unit variance or so, one bump about every ``cell`` pixels."""
    down, across = _weights(HEIGHT, cell), _weights(WIDTH, cell)
    grid = dice.normal(0.0, 1.0, (down.shape[1], across.shape[1]))
    return down @ grid @ across.T


def _weights(size, cell):
    place = np.arange(size) / cell
    first = place.astype(int)
    share = place - first
    share = share * share * (3.0 - 2.0 * share)
    weights = np.zeros((size, size // cell + 2))
    weights[np.arange(size), first] = 1.0 - share
    weights[np.arange(size), first + 1] = share
    return weights

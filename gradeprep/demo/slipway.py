"""A slipway at noon: a planked hull on its cradle, hard sun, deep shade under the keel."""

from __future__ import annotations

import numpy as np

from gradeprep.demo.brushes import Canvas, Colour, Field, boards, noise, ramp, smooth

__all__ = ["SHADOW", "TARGETS", "paint"]

SHADOW = (0.86, 0.685, 0.444, 0.111)
"""x, y, width, height of the shade under the hull, in canvas coordinates."""

TARGETS = (0.055, 0.74)
"""x, y of the board with card and chart."""

_SEA = 0.43
_SHORE = 0.53
_BOW = 0.60
_STERN = 1.66
_VANISH = (0.40, 0.36)


def paint(canvas: Canvas, frame: int) -> None:
    """Paint one frame, back to front; ``frame`` counts from 0."""
    _sky(canvas, frame)
    _sea(canvas, frame)
    _beach(canvas)
    _timbers(canvas)
    _shade(canvas)
    _clutter(canvas)
    _hull(canvas)
    _props(canvas)


def _sky(canvas: Canvas, frame: int) -> None:
    blue = ramp(
        canvas.y,
        [(0.0, (0.24, 0.36, 0.60)), (0.25, (0.45, 0.58, 0.75)), (_SEA, (0.92, 0.98, 1.02))],
    )
    canvas.picture += blue
    wisps = noise(canvas, (4.5, 7.0), seed=11, octaves=5, drift=(0.012 * frame, 0.0))
    cover = smooth(0.50, 0.72, wisps) * smooth(0.0, 0.14, canvas.y) * smooth(0.43, 0.30, canvas.y)
    canvas.paint(0.9 * cover, (1.25, 1.24, 1.22))
    for seed, height, colour in ((12, 0.055, (0.40, 0.47, 0.53)), (13, 0.03, (0.22, 0.29, 0.30))):
        hills = noise(canvas, (5.0, 1.0), seed=seed, octaves=3)[:1]
        slope = smooth(0.9, 0.0, canvas.x) if seed == 12 else smooth(0.5, 1.7, canvas.x)
        canvas.paint(canvas.below(_SEA - height * (0.3 + hills) * slope), colour)


def _sea(canvas: Canvas, frame: int) -> None:
    depth = ramp(canvas.y, [(_SEA, (0.34, 0.43, 0.48)), (_SHORE, (0.07, 0.17, 0.19))])
    near = np.maximum(canvas.y - _SEA, 0.0)
    waves = noise(canvas, (26.0, 70.0), seed=14, octaves=2, drift=(0.22 * frame, 0.0))
    canvas.paint(canvas.below(_SEA), depth, 0.6 + 0.8 * waves)
    sparkle = noise(canvas, (210.0, 150.0), seed=15, drift=(0.31 * frame, 0.07 * frame))
    path = np.exp(-(((canvas.x - 0.30) / (0.05 + 1.2 * near)) ** 2))
    glint = smooth(0.66, 0.95, sparkle) * path * smooth(_SEA, _SEA + 0.012, canvas.y)
    canvas.shine(glint * (canvas.y < _SHORE), (16.0, 15.0, 13.0))


def _beach(canvas: Canvas) -> None:
    edge = _SHORE + 0.012 * (noise(canvas, (9.0, 1.0), seed=16, octaves=2)[:1] - 0.5)
    grain = noise(canvas, (22.0, 34.0), seed=17, octaves=4)
    pebbles = noise(canvas, (150.0, 110.0), seed=18)
    shade = 0.62 + 0.5 * grain + 0.35 * (pebbles - 0.5) * smooth(_SHORE, 0.8, canvas.y)
    canvas.paint(canvas.below(edge - 0.008), (0.75, 0.76, 0.74))
    canvas.paint(canvas.below(edge), (0.12, 0.11, 0.09))
    canvas.paint(canvas.below(edge + 0.014), (0.50, 0.43, 0.335), shade)


def _timbers(canvas: Canvas) -> None:
    """The ramp runs into the water: boards across, two greased skids along."""
    depth = np.maximum(canvas.y - _VANISH[1], 0.03)
    along = (canvas.x - _VANISH[0]) / depth
    skew = 0.85
    across = 7.0 / depth
    fineness = 7.0 / (depth * depth * canvas.height)
    deck = boards(across, seed=19, groove=0.07, fineness=fineness)
    grain = noise(canvas, (14.0, 120.0), seed=20, octaves=2)
    width = canvas.coverage((0.55 - np.abs(along - skew)) * depth)
    on_land = canvas.below(_SHORE - 0.03)
    canvas.paint(width * on_land, (0.36, 0.26, 0.175), deck * (0.75 + 0.5 * grain))
    for offset in (-0.30, 0.30):
        rail = canvas.coverage((0.045 - np.abs(along - skew - offset)) * depth)
        side = canvas.coverage((0.02 - np.abs(along - skew - offset - 0.06)) * depth)
        canvas.paint(side * on_land, (0.03, 0.022, 0.016))
        canvas.paint(rail * on_land, (0.46, 0.36, 0.25))


def _sheer(x: Field) -> Field:
    """Upper edge of the hull, y for each column."""
    s = (x - _BOW) / (_STERN - _BOW)
    return np.asarray(0.175 + 0.36 * s * (1.22 - s), np.float32)


def _keel(x: Field) -> Field:
    """Lower edge of the hull: a raked stem, a long keel, a lifted stern."""
    s = (x - _BOW) / (_STERN - _BOW)
    stem = np.clip(s / 0.34, 0.0, 1.0)
    full = np.sqrt(np.maximum(1.0 - (1.0 - stem) ** 2.2, 0.0))
    lift = 0.42 * np.clip((s - 0.72) / 0.28, 0.0, 1.0) ** 2
    return np.asarray(_sheer(x) + (0.665 - _sheer(x)) * full * (1.0 - lift), np.float32)


def _shade(canvas: Canvas) -> None:
    """Shadow on the ground: seven stops down beside the keel, a soft edge towards the sun."""
    far = ((canvas.x - 1.16) / 0.60) ** 2 + ((canvas.y - 0.715) / 0.145) ** 2
    edge = smooth(1.12, 0.86, far + 0.10 * (noise(canvas, (18.0, 14.0), seed=21) - 0.5))
    core = smooth(0.95, 0.10, far)
    canvas.dim(1.0 - edge * (0.93 + 0.058 * core))


def _clutter(canvas: Canvas) -> None:
    """What a yard keeps under a hull; tones five to eight stops under grey."""
    for x in (0.885, 1.225):
        for step, tone in enumerate((0.0050, 0.0018, 0.0034)):
            left, top = x - 0.004 * step, 0.752 - 0.032 * step
            canvas.paint(canvas.box(left, top, 0.070 + 0.008 * step, 0.030), _wood(tone))
            canvas.paint(canvas.box(left, top, 0.070 + 0.008 * step, 0.005), _wood(2.0 * tone))
    for rung in range(6):
        x = 0.995 + 0.019 * rung
        canvas.paint(canvas.line((x, 0.742), (x + 0.014, 0.775), 0.006), _wood(0.0065))
    for x, y in ((0.978, 0.742), (0.992, 0.775)):
        canvas.paint(canvas.line((x, y), (x + 0.128, y), 0.008), _wood(0.0080))
    for outer, tone in ((0.046, 0.0075), (0.035, 0.0050), (0.024, 0.0075)):
        canvas.paint(canvas.ring((1.158, 0.752), outer, outer - 0.008, 0.45), _wood(tone))
    for x, colour in ((1.045, (0.0008, 0.0040, 0.0062)), (1.100, (0.0085, 0.0018, 0.0010))):
        canvas.paint(canvas.box(x, 0.692, 0.034, 0.036), colour)
        canvas.paint(canvas.ring((x + 0.017, 0.692), 0.018, 0.0, 0.3), (0.009, 0.009, 0.009))


def _wood(tone: float) -> Colour:
    return 1.2 * tone, tone, 0.72 * tone


def _hull(canvas: Canvas) -> None:
    sheer, keel = _sheer(canvas.x), _keel(canvas.x)
    steep = np.hypot(1.0, np.gradient(keel, canvas.aspect / canvas.width, axis=1))
    girth = np.clip((canvas.y - sheer) / np.maximum(keel - sheer, 0.01), -1.0, 2.0)
    fineness = 12.0 / (np.maximum(keel - sheer, 0.02) * canvas.height)
    ends = np.minimum(canvas.x - _BOW, _STERN - 0.03 * girth - canvas.x)
    inside = canvas.coverage(
        np.minimum(ends, np.minimum(canvas.y - sheer, (keel - canvas.y) / steep))
    )
    strakes = boards(12.0 * girth, seed=22, groove=0.06, fineness=fineness)
    grain = noise(canvas, (12.0, 130.0), seed=23, octaves=2)
    turn = 1.0 - 0.982 * smooth(0.48, 0.98, girth)
    along = 0.80 + 0.35 * smooth(_BOW, 1.05, canvas.x) * smooth(1.75, 1.15, canvas.x)
    shade = strakes * (0.85 + 0.3 * grain) * turn * along
    canvas.paint(inside, (0.50, 0.285, 0.125), shade)
    canvas.paint(inside * smooth(0.165, 0.155, girth), (0.055, 0.20, 0.235), along)
    canvas.paint(
        inside * canvas.coverage(0.008 - np.abs(canvas.y - sheer - 0.058)), (0.8, 0.74, 0.6)
    )
    rail = canvas.coverage(np.minimum(ends + 0.012, 0.008 - np.abs(canvas.y - sheer + 0.004)))
    canvas.paint(rail, (0.72, 0.56, 0.36))


def _props(canvas: Canvas) -> None:
    """Shores that hold the hull, a ladder at its side, a trestle in the sun."""
    for x, foot in ((0.775, 0.77), (1.335, 0.81), (1.54, 0.77)):
        top = (x + 0.045, float(_keel(np.full(1, x + 0.045, np.float32))[0]) - 0.17)
        canvas.paint(canvas.line((x, foot), top, 0.017), (0.36, 0.27, 0.175))
        canvas.paint(
            canvas.line((x + 0.006, foot), (top[0] + 0.006, top[1]), 0.006), (0.10, 0.07, 0.05)
        )
    for dx in (0.0, 0.058):
        canvas.paint(canvas.line((1.41 + dx, 0.87), (1.44 + dx, 0.24), 0.009), (0.62, 0.50, 0.30))
    for rung in range(12):
        x, y = 1.412 + 0.0023 * rung, 0.83 - 0.048 * rung
        canvas.paint(canvas.line((x, y), (x + 0.058, y), 0.007), (0.50, 0.39, 0.23))

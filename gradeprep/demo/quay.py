"""A quay at dusk: last light on still water, lamps, a moored boat that is almost black."""

from __future__ import annotations

import numpy as np

from gradeprep.demo.brushes import Canvas, Colour, Field, boards, noise, ramp, smooth
from gradeprep.demo.sensor import Picture

__all__ = ["SHADOW", "TARGETS", "paint"]

SHADOW = (0.345, 0.505, 0.444, 0.111)
"""x, y, width, height of the moored hull's side, in canvas coordinates."""

TARGETS = (0.06, 0.755)
"""x, y of the board with card and chart."""

_WATER = 0.47
_EDGE = 0.72
_LAMPS = ((1.10, 0.250, 0.0085), (1.30, 0.215, 0.0100), (1.56, 0.165, 0.0125))
"""x and y of each lamp's head, and its radius."""

_SKY: list[tuple[float, Colour]] = [
    (0.00, (0.050, 0.075, 0.165)),
    (0.20, (0.105, 0.120, 0.220)),
    (0.34, (0.260, 0.190, 0.235)),
    (0.43, (0.560, 0.310, 0.190)),
    (_WATER, (0.800, 0.480, 0.230)),
]


def paint(canvas: Canvas, frame: int) -> None:
    """Paint one frame, back to front; ``frame`` counts from 0."""
    _sky(canvas, frame)
    _water(canvas, frame)
    _shore(canvas)
    _pier(canvas)
    _boat(canvas)
    _side(canvas)
    _paving(canvas)
    _bollards(canvas)
    _lamps(canvas, frame)


def _sky(canvas: Canvas, frame: int) -> None:
    canvas.picture += ramp(canvas.y, _SKY)
    streaks = noise(canvas, (3.0, 16.0), seed=41, octaves=4, drift=(0.01 * frame, 0.0))
    cover = smooth(0.50, 0.72, streaks) * smooth(0.02, 0.2, canvas.y) * smooth(0.47, 0.40, canvas.y)
    canvas.paint(0.7 * cover, _lit_clouds(canvas))


def _lit_clouds(canvas: Canvas) -> Picture:
    violet, rose, amber = (0.10, 0.09, 0.16), (0.48, 0.22, 0.20), (1.0, 0.5, 0.2)
    return ramp(canvas.y, [(0.0, violet), (0.3, rose), (0.45, amber)])


def _water(canvas: Canvas, frame: int) -> None:
    """The sky upside down, stretched and broken by ripples that move."""
    depth = np.maximum(canvas.y - _WATER, 0.0)
    moved = (0.05 * frame, 0.10 * frame)
    ripple = noise(canvas, (9.0, 85.0), seed=42, octaves=2, drift=moved) - 0.5
    mirrored = _WATER - 1.25 * depth + (0.05 + 0.55 * depth) * ripple
    shade = 0.62 - 0.5 * depth + 0.25 * ripple
    canvas.paint(canvas.below(_WATER), ramp(mirrored, _SKY), shade)


def _shore(canvas: Canvas) -> None:
    hills = noise(canvas, (6.0, 1.0), seed=43, octaves=4)[:1]
    ridge = _WATER - 0.015 - 0.085 * hills * (0.55 + 0.45 * smooth(0.9, 0.0, canvas.x))
    land = canvas.below(ridge) * canvas.coverage(_WATER + 0.004 - canvas.y)
    canvas.paint(land, (0.030, 0.026, 0.040))
    image = canvas.below(_WATER) * canvas.coverage(_WATER + 0.035 - canvas.y)
    canvas.paint(0.7 * image, (0.03, 0.026, 0.036))
    dice = np.random.Generator(np.random.PCG64(44))
    for x in dice.uniform(0.02, 1.0, 14):
        y = _WATER - 0.006 - 0.022 * float(dice.random())
        canvas.paint(canvas.ring((float(x), y), 0.0028, 0.0, 1.0), (2.2, 1.25, 0.45))


def _pier(canvas: Canvas) -> None:
    """A long pier that comes nearer to the right, posts below, its image in the water."""
    top = 0.485 + 0.05 * smooth(0.95, 1.78, canvas.x)
    foot = 0.515 + 0.13 * smooth(0.95, 1.78, canvas.x)
    right = canvas.coverage(canvas.x - 0.98)
    image = canvas.below(foot) * canvas.coverage(2.0 * foot - top + 0.02 - canvas.y)
    wall = canvas.below(top) * canvas.coverage(foot - canvas.y)
    canvas.paint(0.85 * right * image, (0.012, 0.011, 0.016))
    canvas.paint(right * wall, (0.016, 0.014, 0.017))
    canvas.paint(right * canvas.coverage(0.005 - np.abs(canvas.y - top)), (0.085, 0.06, 0.05))
    for x, y, radius in _LAMPS:
        foot_of_post = 0.49 + 0.04 * (x - 0.95)
        canvas.paint(canvas.line((x, y), (x, foot_of_post), 0.6 * radius), (0.010, 0.009, 0.011))


def _sheer(x: Field) -> Field:
    s = (x - 0.26) / 0.62
    return np.asarray(0.455 + 0.13 * s * (1.0 - s) + 0.035 * s, np.float32)


def _boat(canvas: Canvas) -> None:
    sheer = _sheer(canvas.x)
    water = 0.615
    side = np.minimum(canvas.x - 0.26 - 0.30 * (canvas.y - 0.455), 0.885 - canvas.x)
    mirror = np.minimum(side - 0.02, 2.0 * water - sheer - 0.01 - canvas.y)
    canvas.paint(canvas.below(water) * canvas.coverage(mirror) * 0.88, (0.006, 0.006, 0.009))
    for mast, foot, top in ((0.50, 0.50, 0.10), (0.80, 0.50, 0.235)):
        canvas.paint(canvas.line((mast, foot), (mast, top), 0.010), (0.010, 0.009, 0.010))
        for end in ((0.28, 0.462), (0.87, 0.495)):
            canvas.paint(canvas.line((mast, top + 0.01), end, 0.003), (0.014, 0.012, 0.014))
    canvas.paint(canvas.line((0.50, 0.43), (0.77, 0.40), 0.012), (0.012, 0.010, 0.011))
    canvas.paint(canvas.box(0.60, 0.385, 0.15, 0.13), (0.008, 0.007, 0.008))
    canvas.paint(canvas.box(0.588, 0.375, 0.174, 0.014), (0.022, 0.017, 0.017))
    for x in (0.618, 0.664, 0.710):
        canvas.paint(canvas.box(x, 0.405, 0.028, 0.034), (1.3, 0.68, 0.22))
    hull = np.minimum(side, np.minimum(canvas.y - sheer, water - canvas.y))
    canvas.paint(canvas.coverage(hull), (0.0014, 0.0015, 0.0019))


def _side(canvas: Canvas) -> None:
    """The hull's side, five to eight stops under grey: strakes, fenders, a blank board."""
    sheer = _sheer(canvas.x)
    girth = (canvas.y - sheer) / (0.615 - sheer)
    edge = np.minimum(canvas.x - 0.27 - 0.30 * (canvas.y - 0.455), 0.883 - canvas.x)
    inside = canvas.coverage(np.minimum(edge, np.minimum(canvas.y - sheer, 0.613 - canvas.y)))
    strakes = boards(girth * 6.0, seed=45, groove=0.10, fineness=6.0 / (0.12 * canvas.height))
    wear = noise(canvas, (40.0, 60.0), seed=46, octaves=2)
    canvas.paint(inside, (0.0016, 0.0023, 0.0034), strakes * (0.5 + wear))
    canvas.paint(inside * smooth(0.80, 0.84, girth), (0.0046, 0.0015, 0.0011), 0.5 + wear)
    canvas.paint(inside * smooth(0.14, 0.10, girth), (0.0120, 0.0095, 0.0085))
    for x in (0.40, 0.55, 0.70):
        top = float(_sheer(np.full((1, 1), x, np.float32))[0, 0])
        canvas.paint(canvas.line((x, top), (x, 0.545), 0.004), (0.0085, 0.0068, 0.0046))
        canvas.paint(canvas.ring((x, 0.568), 0.026, 0.012, 1.0), (0.0066, 0.0060, 0.0056))
    canvas.paint(canvas.box(0.595, 0.535, 0.075, 0.022), (0.0075, 0.0058, 0.0026))
    canvas.paint(canvas.ring((0.475, 0.550), 0.011, 0.0, 1.0), (0.0085, 0.0082, 0.0070))
    canvas.paint(canvas.ring((0.475, 0.550), 0.007, 0.0, 1.0), (0.0006, 0.0006, 0.0007))


def _paving(canvas: Canvas) -> None:
    """Setts in running bond, wet in places, and the kerb at the water."""
    depth = np.maximum(canvas.y - 0.60, 0.05)
    down = 2.6 / depth
    across = (canvas.x - 0.85) / depth * 1.7 + 0.5 * (np.floor(down) % 2)
    rows = boards(down, seed=47, groove=0.07, fineness=down / (depth * canvas.height))
    stones = boards(across, seed=48, groove=0.05, fineness=1.7 / (depth * canvas.height))
    wet = noise(canvas, (10.0, 14.0), seed=49, octaves=4)
    shade = rows * stones * (0.55 + 0.9 * wet)
    canvas.paint(canvas.below(_EDGE - 0.014), (0.010, 0.010, 0.014))
    canvas.paint(canvas.below(_EDGE), (0.085, 0.074, 0.080), shade)
    kerb = canvas.coverage(0.012 - np.abs(canvas.y - _EDGE - 0.012))
    canvas.paint(kerb, (0.150, 0.118, 0.108), 0.6 + 0.8 * wet)


def _bollards(canvas: Canvas) -> None:
    """Two iron bollards with the evening on one side, a mooring line made fast to the nearer."""
    rope = (0.115, 0.090, 0.062)
    canvas.paint(canvas.rope((0.86, 0.505), (1.02, 0.665), sag=0.035, width=0.007), rope)
    _bollard(canvas, (1.02, 0.80), 1.0)
    _bollard(canvas, (1.46, 0.85), 1.25)
    for y in (0.705, 0.690, 0.675):
        canvas.paint(canvas.line((0.99, y), (1.05, y + 0.006), 0.009), rope)


def _bollard(canvas: Canvas, foot: tuple[float, float], size: float) -> None:
    x, y = foot
    width, height = 0.060 * size, 0.125 * size
    shade = canvas.ring((x + 0.02, y), 0.075 * size, 0.0, 0.28)
    post = canvas.box(x - width / 2, y - height, width, height)
    rim = smooth(0.1, 0.5, (canvas.x - x) / width)
    canvas.paint(shade, (0.014, 0.012, 0.014))
    rounded = np.maximum(post, canvas.ring((x, y), width / 2, 0.0, 0.4))
    canvas.paint(rounded, (1.0, 0.72, 0.55), 0.020 + 0.16 * rim * rim)
    head = canvas.ring((x, y - height), 0.72 * width, 0.0, 0.5)
    canvas.paint(head, (0.060, 0.050, 0.056), 0.6 + 0.8 * rim)


def _lamps(canvas: Canvas, frame: int) -> None:
    """Bright heads that clip, halos, and their broken images in the water."""
    warm = (1.0, 0.56, 0.20)
    broken = noise(canvas, (34.0, 90.0), seed=50, octaves=2, drift=(0.12 * frame, 0.16 * frame))
    for x, y, radius in _LAMPS:
        halo = 0.55 * canvas.glow((x, y), 2.6 * radius) + 0.05 * canvas.glow((x, y), 13.0 * radius)
        canvas.shine(halo, warm)
        foot = 2.0 * 0.56 - y
        fall = smooth(0.53, 0.57, canvas.y) * smooth(_EDGE - 0.012, _EDGE - 0.016, canvas.y)
        wave = 0.012 * (broken - 0.5)
        streak = np.exp(-(((canvas.x - x + wave) / (0.9 * radius)) ** 2))
        near = np.exp(-(((canvas.y - foot) / 0.30) ** 2))
        canvas.shine(0.9 * streak * fall * near * smooth(0.42, 0.66, broken), warm)
        pool = canvas.glow((x - 0.05, 0.86), 0.11) * canvas.below(_EDGE)
        canvas.shine(0.045 * pool, warm)
        canvas.paint(canvas.ring((x, y), radius, 0.0, 1.0), (60.0, 44.0, 24.0))

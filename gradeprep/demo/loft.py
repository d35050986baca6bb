"""A sail loft by a window: a sail on the boards, light from one side, corners in the dark."""

from __future__ import annotations

import numpy as np

from gradeprep.demo.brushes import Canvas, Colour, Field, boards, noise, ramp, smooth

__all__ = ["SHADOW", "TARGETS", "paint"]

SHADOW = (1.312, 0.335, 0.444, 0.111)
"""x, y, width, height of the shelf in the corner, in canvas coordinates."""

TARGETS = (0.06, 0.735)
"""x, y of the board with card and chart."""

_FLOOR = 0.55
_VANISH = (0.62, 0.36)
_WINDOW = (0.30, 0.11, 0.50, 0.345)


def paint(canvas: Canvas, frame: int) -> None:
    """Paint one frame, back to front; ``frame`` counts from 0."""
    _wall(canvas)
    _window(canvas, frame)
    _shelves(canvas)
    _floor(canvas, frame)
    _sail(canvas, frame)
    _hanging(canvas, frame)
    _rafters(canvas)
    _bench(canvas)
    _air(canvas)


def _distance(canvas: Canvas) -> Field:
    """Distance from the middle of the window."""
    return np.asarray(np.hypot(canvas.x - 0.55, 1.1 * (canvas.y - 0.30)))


def _wall(canvas: Canvas) -> None:
    panels = boards(canvas.x * 13.0, seed=31, groove=0.05, fineness=13.0 / canvas.height)
    grain = noise(canvas, (90.0, 5.0), seed=32, octaves=2)
    falloff = 0.0022 + 0.11 * np.exp(-_distance(canvas) * 4.6)
    shade = panels * (0.8 + 0.4 * grain) * falloff
    canvas.paint(canvas.coverage(_FLOOR + 0.01 - canvas.y), (0.95, 0.88, 0.78), shade)


def _window(canvas: Canvas, frame: int) -> None:
    x, y, width, height = _WINDOW
    casing, bar = (0.16, 0.15, 0.135), (0.05, 0.047, 0.043)
    canvas.paint(canvas.box(x - 0.03, y - 0.03, width + 0.06, height + 0.06), casing)
    canvas.paint(canvas.box(x - 0.05, y + height + 0.018, width + 0.10, 0.022), (0.75, 0.72, 0.68))
    pane = canvas.box(x, y, width, height)
    outside = ramp(canvas.y, [(y, (1.55, 1.85, 2.2)), (y + height, (2.5, 2.55, 2.5))])
    clouds = noise(canvas, (6.0, 9.0), seed=33, octaves=3, drift=(0.02 * frame, 0.0))
    canvas.paint(pane, outside, 0.75 + 0.5 * clouds)
    canvas.paint(pane * canvas.below(y + 0.255), (0.60, 0.85, 0.95))
    roofs = y + 0.265 + 0.035 * np.abs(((canvas.x * 9.0) % 1.0) - 0.5) * (canvas.x < 0.58)
    canvas.paint(pane * canvas.below(roofs + 0.012), (0.36, 0.30, 0.27))
    for mast, top in ((0.655, 0.17), (0.725, 0.21)):
        canvas.paint(pane * canvas.line((mast, top), (mast, 0.40), 0.005), (0.30, 0.28, 0.26))
        canvas.paint(pane * canvas.line((mast, top), (mast + 0.05, 0.39), 0.0035), (0.6, 0.6, 0.6))
    for column in range(1, 4):
        canvas.paint(canvas.box(x + column * width / 4 - 0.005, y, 0.010, height), bar)
    for row in range(1, 3):
        canvas.paint(canvas.box(x, y + row * height / 3 - 0.005, width, 0.010), bar)


def _cord(tone: float) -> Colour:
    return 1.18 * tone, tone, 0.74 * tone


def _shelves(canvas: Canvas) -> None:
    """The far corner, five to eight stops under grey: coils of line, spools, bolts of cloth."""
    canvas.paint(canvas.box(1.29, 0.16, 0.47, 0.37), (0.0011, 0.0010, 0.0009))
    for shelf in (0.235, 0.330, 0.440, 0.530):
        canvas.paint(canvas.box(1.28, shelf, 0.49, 0.012), _cord(0.0062))
    for x, tone in ((1.365, 0.0085), (1.468, 0.0058)):
        for outer, part in ((0.040, 1.0), (0.030, 0.6), (0.020, 0.9)):
            canvas.paint(canvas.ring((x, 0.396), outer, outer - 0.007, 1.0), _cord(part * tone))
    dyes: tuple[Colour, ...] = (
        (0.0070, 0.0016, 0.0010),
        (0.0012, 0.0030, 0.0062),
        (0.0062, 0.0048, 0.0012),
        (0.0016, 0.0046, 0.0026),
    )
    for index, colour in enumerate(dyes):
        x = 1.535 + 0.044 * index
        canvas.paint(canvas.box(x, 0.388, 0.030, 0.052), colour)
        for rim in (0.384, 0.434):
            canvas.paint(canvas.box(x - 0.004, rim, 0.038, 0.007), _cord(0.0055))
    for row, x in ((0.300, 1.31), (0.300, 1.45), (0.205, 1.36), (0.505, 1.32), (0.505, 1.50)):
        for step in range(3):
            bolt = canvas.box(x, row - 0.024 * step, 0.115, 0.021)
            canvas.paint(bolt, _cord(0.0024 + 0.0018 * ((step + int(x * 100)) % 3)))


def _floor(canvas: Canvas, frame: int) -> None:
    """Boards that run towards the window."""
    depth = np.maximum(canvas.y - _VANISH[1], 0.05)
    across = (canvas.x - _VANISH[0]) / depth
    planks = boards(across * 4.5, seed=34, groove=0.04, fineness=4.5 / (depth * canvas.height))
    grain = noise(canvas, (60.0, 10.0), seed=35, octaves=2)
    distance = np.hypot(canvas.x - 0.50, 1.5 * (canvas.y - 0.60))
    ambient = 0.004 + 0.16 * np.exp(-distance * 2.7)
    light = ambient + 1.25 * _pool(canvas, frame)
    floor = canvas.below(_FLOOR)
    canvas.paint(floor, (0.50, 0.34, 0.20), planks * (0.75 + 0.5 * grain) * light)
    skirting = canvas.box(0.0, _FLOOR - 0.022, 2.0, 0.022)
    canvas.paint(skirting, (0.05, 0.04, 0.03), 0.2 + 4.0 * ambient)


def _pool(canvas: Canvas, frame: int) -> Field:
    """Light of the panes on the floor, 0 to 1, moving a little with the sun."""
    shift = 0.003 * frame
    near, far = 0.93, 0.585
    v = (canvas.y - far) / (near - far)
    left, right = 0.36 + 0.06 * v + shift, 0.79 + 0.38 * v + shift
    u = (canvas.x - left) / (right - left)
    panes = smooth(0.50, 0.44, np.abs((4.0 * u) % 1.0 - 0.5))
    panes = panes * smooth(0.50, 0.44, np.abs((3.0 * v) % 1.0 - 0.5))
    sides = smooth(0.0, 0.012, u) * smooth(1.0, 0.988, u)
    ends = smooth(0.0, 0.03, v) * smooth(1.0, 0.97, v)
    return np.asarray(panes * sides * ends, np.float32)


def _sail(canvas: Canvas, frame: int) -> None:
    """A triangular sail spread on the floor, seams across, one edge rolled."""
    cloth = canvas.polygon((0.86, 0.60), (1.62, 0.80), (0.62, 0.955))
    across = (canvas.x - 0.62) * 0.42 + (canvas.y - 0.955) * 1.9
    folds = noise(canvas, (7.0, 11.0), seed=36, octaves=3)
    panels = boards(across * 7.5, seed=37, groove=0.035, fineness=7.5 * 1.9 / canvas.height)
    distance = np.hypot(canvas.x - 0.66, 1.2 * (canvas.y - 0.66))
    light = 0.03 + 0.50 * np.exp(-distance * 2.0) + 0.62 * _pool(canvas, frame)
    canvas.paint(canvas.polygon((0.87, 0.61), (1.64, 0.815), (0.63, 0.975)), (0.010, 0.008, 0.006))
    shade = (0.5 + 0.5 * panels) * (0.4 + 1.2 * folds) * light
    canvas.paint(cloth, (0.98, 0.93, 0.82), shade)
    canvas.paint(canvas.line((0.62, 0.955), (1.62, 0.80), 0.012), (0.30, 0.24, 0.15))
    canvas.paint(canvas.line((0.86, 0.60), (1.62, 0.80), 0.007), (0.14, 0.11, 0.07))


def _hanging(canvas: Canvas, frame: int) -> None:
    """A drying sail that hangs from the rafters, lit from the window's side."""
    sway = 0.0018 * np.sin(0.8 * frame)
    left = 0.985 - 0.03 * canvas.y + sway * canvas.y
    right = 1.185 + 0.035 * np.sin(canvas.y * 5.0) + sway * canvas.y
    hem = 0.60 + 0.018 * np.sin(canvas.x * 40.0)
    sides = np.minimum(canvas.x - left, right - canvas.x)
    cloth = canvas.coverage(np.minimum(sides, hem - canvas.y))
    u = (canvas.x - left) / (right - left)
    pleats = 0.5 + 0.5 * np.cos(2.0 * np.pi * (4.5 * u + 0.25 * np.sin(canvas.y * 6.0)))
    light = 0.012 + 0.26 * np.clip(1.0 - u, 0.0, 1.0) ** 1.6 * (0.18 + 0.82 * pleats)
    canvas.paint(cloth, (0.98, 0.92, 0.80), light)


def _rafters(canvas: Canvas) -> None:
    canvas.paint(canvas.coverage(0.055 - canvas.y), (0.008, 0.0062, 0.0045))
    for index in range(9):
        x = 0.08 + 0.215 * index
        lean = (x - _VANISH[0]) * 0.28
        beam = canvas.polygon((x + lean, 0.0), (x + lean + 0.06, 0.0), (x + 0.042, 0.10), (x, 0.10))
        light = float(np.exp(-abs(x - 0.55) * 2.4))
        canvas.paint(beam, (0.004 + 0.055 * light, 0.003 + 0.043 * light, 0.002 + 0.03 * light))
    canvas.paint(canvas.box(0.0, 0.092, 2.0, 0.022), (0.018, 0.0135, 0.0095))


def _bench(canvas: Canvas) -> None:
    """A bench in the right foreground, dark, with a lit edge."""
    top = canvas.polygon((1.44, 0.66), (1.80, 0.63), (1.80, 0.70), (1.47, 0.735))
    end = canvas.polygon((1.44, 0.66), (1.47, 0.735), (1.47, 1.0), (1.44, 0.90))
    front = canvas.polygon((1.47, 0.735), (1.80, 0.70), (1.80, 1.0), (1.47, 1.0))
    canvas.paint(top, (0.030, 0.022, 0.014))
    canvas.paint(end, (0.016, 0.012, 0.008))
    canvas.paint(front, (0.0030, 0.0024, 0.0018))
    canvas.paint(canvas.line((1.44, 0.66), (1.47, 0.735), 0.006), (0.16, 0.12, 0.075))
    canvas.paint(canvas.box(1.60, 0.585, 0.05, 0.075), (0.012, 0.004, 0.003))
    canvas.paint(canvas.ring((1.625, 0.585), 0.028, 0.0, 0.35), (0.030, 0.024, 0.017))


def _air(canvas: Canvas) -> None:
    """A little veil of light in the dust around the window."""
    canvas.shine(0.010 * canvas.glow((0.55, 0.30), 0.33), (0.95, 1.0, 1.05))

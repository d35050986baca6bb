"""Plots as SVG for a page and as pixels for a sheet: inks, axes, and deterministic output.

A plot is a function that draws on axes with given inks. Lines use colours of Okabe and Ito (2008,
"Color Universal Design") that keep a contrast of 3:1 on white and on near-black alike, and differ
in dash as well. In an SVG each ink is a CSS variable with a fallback, so a page chooses its own
for light, dark and paper::

    --ink     words and axes            --before  the plate as recorded
    --quiet   grids and guides          --after   normalized
                                        --third   whatever else

Text stays text. Equal data give equal bytes: no date, and ids that follow from what is drawn. No
``style`` attribute is left, so a page may forbid them.
"""

from __future__ import annotations

import hashlib
import html
import io
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from gradeprep.errors import RequestError
from gradeprep.review.screen import Bytes

__all__ = [
    "DARK",
    "FALLBACK",
    "Draw",
    "Inks",
    "dressed",
    "figure",
    "legend",
    "needed",
    "pixels_of",
    "svg",
]


@dataclass(frozen=True, slots=True)
class Inks:
    """Colours of a plot, as ``#rrggbb``."""

    ink: str
    quiet: str
    before: str
    after: str
    third: str


_STAND_INS = Inks("#010203", "#040506", "#070809", "#0a0b0c", "#0d0e0f")
"""What matplotlib draws an SVG with; each becomes its CSS variable."""

FALLBACK = Inks("#767676", "#8c8c8c", "#d55e00", "#0072b2", "#009e73")
"""Where a page sets no variables: a grey that reads on white and on black (4.5:1), and Okabe-Ito
vermillion, blue and bluish green."""

DARK = Inks("#e8e2d6", "#8f8d87", "#e69f00", "#56b4e9", "#009e73")
"""On near-black: Okabe-Ito orange, sky blue and bluish green."""

Draw = Callable[[Any, Inks], None]
"""Draws on matplotlib axes."""

_STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "gradeprep",
    "font.family": "sans-serif",
    "font.size": 10.0,
}
_NOTHING_DATED = dict.fromkeys(("Date", "Creator", "Type", "Format"))

# matplotlib's style is one for the whole process.
_ONE_AT_A_TIME = threading.Lock()


@contextmanager
def figure(
    width: float, height: float, *, points: int = 72, arranged: bool = True
) -> Iterator[Any]:
    """A matplotlib figure that belongs to no window; drawn and saved inside the block.

    Args:
        width: In inches.
        height: In inches.
        points: Pixels an inch, where it becomes pixels.
        arranged: Whether it makes room for words by itself.

    Raises:
        RequestError: matplotlib is not installed.
    """
    needed()
    import matplotlib
    from matplotlib.figure import Figure

    with _ONE_AT_A_TIME, matplotlib.rc_context(_STYLE):
        yield Figure(
            figsize=(width, height), dpi=points, layout="constrained" if arranged else None
        )


def needed() -> None:
    """Nothing where plots can be drawn.

    Raises:
        RequestError: matplotlib is not installed.
    """
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError as error:
        raise RequestError(
            "pictures with plots need matplotlib", remedy="pip install 'gradeprep[review]'"
        ) from error


def svg(draw: Draw, *, title: str, width: float = 6.6, height: float = 3.1) -> str:
    """A plot as an SVG element of class ``plot``, to stand in a page.

    Args:
        draw: Draws it.
        title: What it shows, in one line; read out where it cannot be seen.
        width: In inches of 72 points.
        height: In inches.

    Raises:
        RequestError: matplotlib is not installed.
    """
    text = io.StringIO()
    with figure(width, height) as made:
        axes = made.add_subplot()
        dressed(axes, _STAND_INS)
        draw(axes, _STAND_INS)
        made.savefig(text, format="svg", transparent=True, metadata=_NOTHING_DATED)
    return _element(text.getvalue(), title)


def dressed(axes: Any, inks: Inks) -> None:
    """Axes as all plots have them: open above and at the right, a quiet grid."""
    axes.set_facecolor("none")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(inks.quiet)
    axes.tick_params(colors=inks.ink, length=3, color=inks.quiet)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_color(inks.ink)
    axes.grid(color=inks.quiet, linewidth=0.4, alpha=0.35)
    axes.set_axisbelow(True)


_ONE_LINE = 46
"""Letters of a legend that stand on one line above the narrowest plot of a page."""


def legend(axes: Any, inks: Inks) -> None:
    """What the lines mean, above the axes, where no curve runs into it."""
    lines = [label for label in axes.get_legend_handles_labels()[1] if label != "_nolegend_"]
    if lines:
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=2 if sum(map(len, lines)) > _ONE_LINE else 4,
            frameon=False,
            labelcolor=inks.ink,
            fontsize=9,
            borderaxespad=0.2,
            handlelength=1.6,
            columnspacing=1.4,
        )


def pixels_of(made: Any, ground: str) -> Bytes:
    """A figure as pixels on a plain ground: uint8 H x W x 3."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    made.set_facecolor(ground)
    canvas = FigureCanvasAgg(made)
    canvas.draw()
    return np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[..., :3])


def _element(text: str, title: str) -> str:
    """The SVG element alone, its inks as variables, its ids unlike those of any other plot."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", text, flags=re.S)
    text = re.sub(r' style="([^"]*)"', _attributes, text)
    text = re.sub(r'="[^"]*"', lambda m: re.sub(r"(\d\.\d\d)\d+", r"\1", m[0]), text)
    for field in fields(Inks):
        variable = f"var(--{field.name}, {getattr(FALLBACK, field.name)})"
        text = text.replace(getattr(_STAND_INS, field.name), variable)
    text = _own_ids(re.sub(r"\n\s*", "\n", text))
    words = html.escape(title, quote=True)
    head = f'<svg class="plot" role="img" aria-label="{words}" stroke-linejoin="round"'
    return re.sub(r"\n+", "\n", text.replace("<svg", head, 1)).strip()


def _attributes(match: re.Match[str]) -> str:
    """A ``style`` as attributes of its own; ``font`` shorthands as size, weight and family."""
    lines = []
    for item in html.unescape(match[1]).split(";"):
        name, _, value = (part.strip() for part in item.partition(":"))
        if name == "font":
            size = value.partition("px")[0]
            lines += [f'font-size="{size.split()[-1]}px"', 'font-family="sans-serif"']
        elif name == "font-family":
            lines.append('font-family="sans-serif"')
        elif name:
            lines.append(f'{name}="{html.escape(value)}"')
    return "".join(f" {one}" for one in lines)


def _own_ids(text: str) -> str:
    """Ids by order and by what is drawn: the library's own depend on more than that."""
    used = re.findall(r'(?:url\(#|href="#)([^")]+)', text)
    order = {name: str(number) for number, name in enumerate(dict.fromkeys(used))}
    text = re.sub(r' id="([^"]*)"', lambda m: _numbered(order, m[1]), text)
    text = re.sub(r'(url\(#|href="#)([^")]+)', lambda m: f"{m[1]}{order[m[2]]}", text)
    mark = hashlib.sha256(text.encode()).hexdigest()[:8]
    return re.sub(r'( id="|url\(#|href="#)(\d+)', rf"\1p{mark}-\2", text)


def _numbered(order: Mapping[str, str], name: str) -> str:
    """An id that something refers to, by its number; nothing of the others."""
    return f' id="{order[name]}"' if name in order else ""

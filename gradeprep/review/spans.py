"""The span of a plate: from its clean shadows to its ceiling, before and after, on one ruler.

The report's own picture of the job. Two bars stand over a ruler in stops from grey; the pull moves
the span down, and what it reaches further below grey is what the hot exposure bought.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from gradeprep.review.overview import OverviewLine, ToneSpan

__all__ = ["Ruler", "ruler_of", "ruler_svg", "span_svg"]

_WIDTH = 220.0
_LEAST = (-6, 6)


@dataclass(frozen=True, slots=True)
class Ruler:
    """Whole stops from grey that all spans of a page are drawn over."""

    low: int
    high: int

    def x(self, stops: float, width: float) -> float:
        """Place of a tone; tones beyond the ends stand at the ends."""
        share = (stops - self.low) / (self.high - self.low)
        return round(min(max(share, 0.0), 1.0) * width, 2)

    @property
    def marks(self) -> tuple[int, ...]:
        """Stops that are marked: every second one, grey among them."""
        return tuple(stop for stop in range(self.low, self.high + 1) if stop % 2 == 0)


def ruler_of(lines: Iterable[OverviewLine]) -> Ruler:
    """The ruler on which every span of a page has its place."""
    ends = [
        end
        for line in lines
        for span in (line.before, line.after)
        for end in (span.low, span.high)
        if end is not None
    ]
    low = min([_LEAST[0], *(math.floor(end) - 1 for end in ends)])
    high = max([_LEAST[1], *(math.ceil(end) + 1 for end in ends)])
    return Ruler(max(low, -16), min(high, 16))


def ruler_svg(ruler: Ruler) -> str:
    """The ruler alone, to head a column of spans; hidden from readers, which get words."""
    return _element(_WIDTH, 13.0, _figures(ruler, _WIDTH, 10.0), "")


def span_svg(line: OverviewLine, ruler: Ruler, title: str, *, tall: bool = False) -> str:
    """A shot's span before and after as an SVG element.

    Args:
        line: The shot's numbers.
        ruler: The page's ruler.
        title: The same in words.
        tall: With the ruler's figures under it and room for a caption.
    """
    width = 900.0 if tall else _WIDTH
    thick, gap, top = (16.0, 8.0, 6.0) if tall else (8.0, 4.0, 4.0)
    foot = top + 2 * thick + gap + 4.0
    parts = [
        *_grid(ruler, width, foot),
        *_bar(line.before, "before", ruler, width, (top, thick)),
        *_bar(line.after, "after", ruler, width, (top + thick + gap, thick)),
    ]
    if tall:
        parts += _figures(ruler, width, foot + 13.0)
    return _element(width, foot + (18.0 if tall else 0.0), parts, title)


def _grid(ruler: Ruler, width: float, foot: float) -> Iterator[str]:
    for stop in ruler.marks:
        kind = "grey" if stop == 0 else "mark"
        x = ruler.x(stop, width)
        yield f'<line class="{kind}" x1="{x:g}" x2="{x:g}" y1="0" y2="{foot:g}"/>'


def _figures(ruler: Ruler, width: float, y: float) -> Iterator[str]:
    for stop in ruler.marks[1:-1]:
        word = "grey" if stop == 0 else f"{stop:+d}".replace("-", "\N{MINUS SIGN}")
        yield f'<text x="{ruler.x(stop, width):g}" y="{y:g}" text-anchor="middle">{word}</text>'


def _bar(
    span: ToneSpan, kind: str, ruler: Ruler, width: float, place: tuple[float, float]
) -> Iterator[str]:
    """From clean shadow to ceiling; an end that is not known is left open and fades out."""
    y, thick = place
    if span.low is None and span.high is None:
        return
    low = ruler.x(ruler.low if span.low is None else span.low, width)
    high = ruler.x(ruler.high if span.high is None else span.high, width)
    solid = span.low is not None
    fill = kind if solid and span.high is not None else f"{kind} open"
    yield f'<rect class="{fill}" x="{low:g}" y="{y:g}" width="{high - low:g}" height="{thick:g}"/>'
    if span.high is not None:
        yield f'<rect class="end {kind}" x="{high - 2:g}" y="{y - 2:g}" width="3" ' + (
            f'height="{thick + 4:g}"/>'
        )
    if span.low is not None and not span.low_open:
        yield f'<rect class="end {kind}" x="{low - 1:g}" y="{y - 2:g}" width="3" ' + (
            f'height="{thick + 4:g}"/>'
        )


def _element(width: float, height: float, parts: Iterable[str], title: str) -> str:
    text = f'role="img" aria-label="{html.escape(title)}"' if title else 'aria-hidden="true"'
    return (
        f'<svg class="span" viewBox="0 0 {width:g} {height:g}" {text}>' + "".join(parts) + "</svg>"
    )

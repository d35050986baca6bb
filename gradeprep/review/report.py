"""The report: one page of all shots that needs no other file, no network and no program of ours.

Whatever a shot is called and whatever its notes say, it is text here and never markup; the page's
own policy allows no script and no style but the two that its head carries, by their hashes.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import PyOpenColorIO as ocio

from gradeprep._version import __version__
from gradeprep.errors import RequestError
from gradeprep.model.recipe import LookAsk
from gradeprep.review import tables
from gradeprep.review.overview import OverviewLine, ranked, worst_first
from gradeprep.review.pictures import ShotPictures, Wish, pictured
from gradeprep.review.platesummary import see
from gradeprep.review.reportdata import ReportShot, gather
from gradeprep.review.spans import Ruler, ruler_of, ruler_svg, span_svg

__all__ = [
    "PageEntry",
    "bytes_each",
    "entries",
    "entry_of",
    "page",
    "policy",
    "report_html",
    "stops",
]

_PAGE = Path(__file__).parent / "page"
_BUDGET = 14_000_000
"""Bytes of a whole page, whatever the number of shots: it goes by mail."""

_PER_FRAME, _PER_SHOT = 420, 110_000
"""About the bytes of a frame's row, and of a shot's plots and tables."""

_LEAST, _MOST = 24_000, 420_000
"""Bytes of one picture."""

_PICTURES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class PageEntry:
    """One shot of the page.

    Attributes:
        shot: Its data.
        seen: Its pictures and plots.
        line: Its line in the overview.
        lacking: What could not be shown, a line each.
        frame: The frame that is shown, if any.
        simulated: Whether the normalized picture was computed here, not read from a result.
    """

    shot: ReportShot
    seen: ShotPictures
    line: OverviewLine
    lacking: tuple[str, ...]
    frame: int | None
    simulated: bool = False


def report_html(
    sources: Sequence[Path],
    *,
    display: str | None = None,
    view: str | None = None,
    look: LookAsk | None = None,
    side: int = 960,
    config: str | None = None,
    shots: Sequence[str] = (),
) -> str:
    """The page of some sidecars and recipes.

    Args:
        sources: Sidecars (``*.stops.json``) and recipes.
        display: A display of the config; its default one when left out.
        view: A view of it; its default one when left out.
        look: A show's look instead of the one that the recipe names.
        side: Longest side of a picture, in pixels; pictures of a long report are smaller.
        config: Config for a plan where its recipe names none.
        shots: Only these shots of the recipes.

    Raises:
        SidecarError: A sidecar cannot be read.
        RequestError: A recipe is wrong, the display, view or look is not there, or Jinja2 or
            matplotlib is not installed.
    """
    found = gather(sources, config=config, shots=shots)
    return page(entries(found, Wish(display=display, view=view, look=look, side=side)))


def entries(found: Sequence[ReportShot], wish: Wish) -> list[PageEntry]:
    """The shots with their pictures, worst first.

    Raises:
        ColourError: The display, view or look is not there.
        RequestError: matplotlib is not installed.
    """
    _templates()
    wish = Wish(
        display=wish.display,
        view=wish.view,
        look=wish.look,
        side=wish.side,
        bytes=bytes_each(found),
    )
    made = [entry_of(one, wish) for one in found]
    return [made[place] for place in worst_first([entry.line for entry in made])]


def entry_of(one: ReportShot, wish: Wish) -> PageEntry:
    """One shot with its pictures and plots.

    Raises:
        ColourError: The display, view or look is not there.
        RequestError: matplotlib is not installed.
    """
    seen = see(one)
    pictures = pictured(one, seen, wish)
    return PageEntry(
        shot=one,
        seen=pictures,
        line=ranked(one, seen),
        lacking=tuple(dict.fromkeys(seen.lacking)),
        frame=seen.frame,
        simulated=seen.simulated,
    )


def bytes_each(found: Sequence[ReportShot]) -> int:
    """Bytes that one picture may take so that the page of all these shots can go by mail."""
    frames = sum(len(one.document.frames) for one in found if one.document is not None)
    left = _BUDGET - _PER_FRAME * frames - _PER_SHOT * len(found)
    each = left // max(1, _PICTURES * len(found))
    return int(min(max(each, _LEAST), _MOST))


def page(shots: Sequence[PageEntry]) -> str:
    """The page's text; equal entries give equal text but for the one line of class ``dated``.

    Raises:
        RequestError: Jinja2 is not installed.
    """
    ruler = ruler_of(entry.line for entry in shots)
    text = (
        _templates()
        .get_template("report.html.j2")
        .render(
            shots=shots,
            ruler=ruler_svg(ruler),
            spans={
                place: (_span(entry, ruler, tall=False), _span(entry, ruler, tall=True))
                for place, entry in enumerate(shots)
            },
            style=_asset("report.css"),
            script=_asset("report.js"),
            policy=policy(),
            states={
                state: sum(entry.shot.state == state for entry in shots)
                for state in ("done", "planned", "refused")
            },
            clipped=sum(entry.line.clip.state == "clipped" for entry in shots),
            version=__version__,
            libraries=_libraries(),
            made=datetime.now(UTC).isoformat(timespec="seconds"),
        )
    )
    return str(text)


def policy() -> str:
    """The page's Content Security Policy, for whoever serves it with a header of the same.

    It allows one style and one script, by the hash of their text, and pictures that stand in the
    page (W3C Content Security Policy Level 3).
    """
    style, script = _hash(_asset("report.css")), _hash(_asset("report.js"))
    return (
        f"default-src 'none'; img-src data:; style-src '{style}'; script-src '{script}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _span(entry: PageEntry, ruler: Ruler, *, tall: bool) -> Any:
    from markupsafe import Markup

    return Markup(span_svg(entry.line, ruler, _span_words(entry), tall=tall))


def _span_words(entry: PageEntry) -> str:
    lines = []
    for word, span in (("as recorded", entry.line.before), ("normalized", entry.line.after)):
        if span.low is None and span.high is None:
            continue
        low = "not known" if span.low is None else f"{span.low:+.1f}"
        high = "not reached" if span.high is None else f"{span.high:+.1f}"
        lines.append(f"{word}: clean shadow {low}, ceiling {high} stops from grey")
    return "; ".join(lines) or "clean shadow and ceiling are not known"


def _libraries() -> str:
    return (
        f"OpenColorIO {ocio.__version__}, OpenImageIO {oiio.VERSION_STRING}, "
        f"OpenEXR {OpenEXR.OPENEXR_VERSION}, NumPy {np.__version__}"
    )


def _asset(name: str) -> str:
    return (_PAGE / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


@cache
def _templates() -> Any:
    """The page's templates: whatever is put in is escaped.

    Raises:
        RequestError: Jinja2 is not installed.
    """
    try:
        from jinja2 import Environment, FileSystemLoader, StrictUndefined
    except ImportError as error:
        raise RequestError(
            "a report needs Jinja2", remedy="pip install 'gradeprep[review]'"
        ) from error
    made = Environment(
        loader=FileSystemLoader(_PAGE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["stops"] = stops
    made.filters["pretty"] = tables.pretty
    made.filters["plain"] = _plain
    made.filters["capitalize_first"] = _capitalized
    made.globals["tables"] = tables
    return made


def stops(value: float | None, places: int = 2) -> Any:
    """A filter of the templates: a number of stops to read, and exactly as it was recorded."""
    from markupsafe import Markup

    if value is None:
        return ""
    text = f"{value:+.{places}f}".replace("-", "\N{MINUS SIGN}")
    return Markup(f'<data value="{float(value)!r}">{text}</data>')


def _plain(value: object) -> str:
    """Text on one line."""
    return " ".join(str(value).split())


def _capitalized(text: str) -> str:
    return text[:1].upper() + text[1:]

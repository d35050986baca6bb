"""What was seen of a shot as pictures and plots that stand in a page: no file beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from gradeprep import showlook
from gradeprep.errors import GradeprepError
from gradeprep.model.frame import pixel_aspect
from gradeprep.model.order import ColourOrder
from gradeprep.model.recipe import LookAsk
from gradeprep.model.record import Reading
from gradeprep.model.shot import ShotDocument
from gradeprep.pipeline.view import View
from gradeprep.review.clipmap import ceiling_text, clip_map, share_text
from gradeprep.review.exposureplot import exposure_svg
from gradeprep.review.imagebytes import data_uri
from gradeprep.review.liftplot import lift_svg
from gradeprep.review.noiseplot import noise_caption, noise_svg
from gradeprep.review.platesummary import PlateSummary
from gradeprep.review.reportdata import ReportShot
from gradeprep.review.screen import Bytes, screen
from gradeprep.review.tones import tones_svg
from gradeprep.stages.lift import LiftParams

__all__ = ["Picture", "ShotPictures", "Plot", "Wish", "fitted", "pictured"]

_THUMB = 176
_QUALITIES = (88, 76, 62, 48)
_SMALLEST = 320


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """How pictures are to be.

    Attributes:
        display: A display of the config; its default one when left out.
        view: A view of it; its default one when left out.
        look: A show's look instead of the recorded one, if any.
        side: Longest side of a picture.
        bytes: About the most bytes of one picture as it stands in the page.
    """

    display: str | None = None
    view: str | None = None
    look: LookAsk | None = None
    side: int = 960
    bytes: int = 400_000


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of the page.

    Attributes:
        uri: Its ``data:`` address.
        width: In pixels.
        height: In pixels.
        alt: What it shows, in words.
    """

    uri: str
    width: int
    height: int
    alt: str


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot of the page: an SVG element, and what may be read from it."""

    name: str
    svg: str
    caption: str

    @property
    def words(self) -> str:
        """The caption, with minus signs where numbers are negative."""
        return re.sub(r"(?<![\w-])-(?=\d)", "\N{MINUS SIGN}", self.caption)


@dataclass(slots=True, kw_only=True)
class ShotPictures:
    """Pictures and plots of one shot; empty where there were no pixels.

    Attributes:
        pictures: By name: ``before``, ``after``, ``look``, ``clipped`` (where something is).
        thumbs: Small ones of ``before`` and ``after``.
        plots: In the order of the page.
        shown: What the pictures are shown through, in words.
        shown_look: The same of the one with the show's look.
        clipped: What clips in the frame shown, in a line; empty where nobody could look.
        ends: Where the channels end, in a line.
    """

    pictures: dict[str, Picture] = field(default_factory=dict)
    thumbs: dict[str, Picture] = field(default_factory=dict)
    plots: list[Plot] = field(default_factory=list)
    shown: str = ""
    shown_look: str = ""
    clipped: str = ""
    ends: str = ""


def pictured(one: ReportShot, seen: PlateSummary, wish: Wish) -> ShotPictures:
    """The pictures and plots of a shot; what cannot be made is added to what is lacking.

    Raises:
        ColourError: The display, view or look that was wished for is not there.
        RequestError: matplotlib is not installed.
    """
    made = ShotPictures()
    if one.document is None:
        return made
    _show(made, one, one.document, seen, wish)
    _plot(made, one.document, seen)
    return made


def _show(
    made: ShotPictures, one: ReportShot, document: ShotDocument, seen: PlateSummary, wish: Wish
) -> None:
    view = next((view for view in seen.views if view is not None), None)
    if view is None or seen.frame is None:
        return
    colour, working = view.colour, document.colour.working
    plain = screen(colour, working, display=wish.display, view=wish.view)
    made.shown = plain.title
    aspect = _aspect(seen, view)
    for name, light in (("before", seen.before), ("after", seen.after)):
        if light is None:
            continue
        word = _word(name, seen)
        picture = plain.picture(light, side=wish.side, aspect=aspect)
        made.pictures[name] = fitted(picture, wish, f"{one.name}, frame {seen.frame}, {word}")
        thumb = plain.picture(light, side=_THUMB, aspect=aspect)
        made.thumbs[name] = _picture(thumb, 80, f"{one.name}, {word}")
        if name == "before" and seen.mask is not None:
            made.clipped, made.ends = share_text(seen.mask), ceiling_text(seen.ceilings)
            if seen.mask.any():
                alt = f"{one.name}, frame {seen.frame}: {made.clipped}"
                made.pictures["clipped"] = fitted(clip_map(picture, seen.mask), wish, alt)
    if seen.after is not None:
        _with_look(made, one.name, document.colour, seen, wish, view)


def _with_look(
    made: ShotPictures, name: str, order: ColourOrder, seen: PlateSummary, wish: Wish, view: View
) -> None:
    assert seen.after is not None
    colour = view.colour
    look = order.look
    if wish.look is not None:
        look = showlook.find(colour, order.working, wish.look, Path())
    if look is None:
        return
    both = seen.try_to(
        lambda: screen(colour, order.working, display=wish.display, view=wish.view, look=look),
        "the show's look",
    )
    if both is None:
        return
    made.shown_look = both.title
    alt = f"{name}, frame {seen.frame}, {_word('after', seen)}, with the show's look"
    picture = both.picture(seen.after, side=wish.side, aspect=_aspect(seen, view))
    made.pictures["look"] = fitted(picture, wish, alt)


def _aspect(seen: PlateSummary, view: View) -> float:
    """Width over height of a pixel in the frame shown; 1 where its header cannot be read."""
    assert seen.frame is not None
    try:
        return pixel_aspect(view.header(seen.frame))
    except GradeprepError:
        return 1.0  # why is among what could not be looked at


def _word(name: str, seen: PlateSummary) -> str:
    if name == "before":
        return "as recorded"
    return "normalized, simulated" if seen.simulated else "normalized"


def fitted(picture: Bytes, wish: Wish, alt: str) -> Picture:
    """As good as the wished bytes allow: first the quality gives way, then the size."""
    while True:
        for quality in _QUALITIES:
            made = _picture(picture, quality, alt)
            if len(made.uri) <= wish.bytes:
                return made
        if max(picture.shape) <= _SMALLEST:
            return made
        picture = picture[::2, ::2]


def _picture(picture: Bytes, quality: int, alt: str) -> Picture:
    height, width, _ = picture.shape
    return Picture(data_uri(picture, "webp", quality=quality), width, height, alt)


def _plot(made: ShotPictures, document: ShotDocument, seen: PlateSummary) -> None:
    before, after = seen.tones
    if before is not None:
        stops = [one.stops for one in seen.ceilings if one is not None]
        plot = tones_svg(before, after, ceilings=stops, ceilings_after=seen.ceilings_after)
        made.plots.append(Plot("Tones", plot, _tones_caption(seen)))
    applied = {frame.number: frame.stops for frame in document.frames}
    readings, keys = _over_time(document.readings)
    plot = exposure_svg(applied, readings=readings, keys=keys)
    made.plots.append(Plot("Exposure over time", plot, _exposure_caption(document, readings, keys)))
    lifts = [order for order in document.frames[0].stages if order.stage == "lift"]
    was, now = seen.noise
    if was is not None:
        caption = noise_caption(was, now, lifted=bool(lifts))
        made.plots.append(Plot("Noise per tone", noise_svg(was, now), caption))
    for order in lifts:
        params = LiftParams.model_validate(dict(order.numbers))
        made.plots.append(Plot("Lift", lift_svg(params), _lift_caption(params)))


def _tones_caption(seen: PlateSummary) -> str:
    if seen.mask is None:
        return f"Frame {seen.frame}."
    return f"Frame {seen.frame}. Ceiling: {ceiling_text(seen.ceilings)}."


def _over_time(
    readings: Sequence[Reading],
) -> tuple[dict[int, Reading], dict[int, float]]:
    """Readings of single frames, and their keys, as recorded in the evidence."""
    found: dict[int, Reading] = {}
    keys: dict[int, float] = {}
    for reading in readings:
        frames, marked = reading.evidence.get("frames"), reading.evidence.get("keys")
        if isinstance(frames, Mapping):
            for number, (stops, sigma) in frames.items():
                found[int(number)] = Reading(meter=reading.meter, stops=stops, sigma=sigma)
        if isinstance(marked, Mapping):
            keys |= {int(number): float(stops) for number, stops in marked.items()}
    return found, keys


def _exposure_caption(
    document: ShotDocument, readings: Mapping[int, Reading], keys: Mapping[int, float]
) -> str:
    low, high = document.span
    if low == high:
        return f"{low:+.3f} stops on every frame."
    words = f"From {document.frames[0].stops:+.3f} to {document.frames[-1].stops:+.3f} stops"
    if readings:
        words += f", {len(readings)} frames read, {len(keys)} keys"
    return f"{words}."


def _lift_caption(params: LiftParams) -> str:
    return (
        f"{params.stops:+g} stops from {params.below - params.softness:+g} down, nothing from "
        f"{params.below:+g} up, before the pull. Tones are those of the normalized picture."
    )

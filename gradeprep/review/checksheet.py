"""The sheet of ``gradeprep check --picture``: one frame, what clipped, its tones and noise."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from gradeprep.checks.clipping import ClippingParams, ceilings
from gradeprep.checks.noisetable import measure_noise
from gradeprep.clips.ceilings import Ceiling, clip_mask
from gradeprep.model.frame import pixel_aspect
from gradeprep.pipeline.view import View
from gradeprep.review.clipmap import ceiling_text, clip_map, share_text
from gradeprep.review.noiseplot import noise_caption, plot_noise
from gradeprep.review.screen import Bytes, Screen, any_within
from gradeprep.review.sheet import PANEL, Panel, laid_out, sized
from gradeprep.review.tonemap import plot_scale, tone_map
from gradeprep.review.tones import landing, plot_tones, tones_of

__all__ = ["check_sheet"]

_HATCHED = (
    "\nhatched rising: R, falling: G, level: B; a pixel that covers one clipped sample is hatched "
    "whole"
)
_LUMINANCE = "of luminance"
_CEILING = "; a ceiling is where a neutral ends, and what stands there holds no detail"


def check_sheet(view: View, frame: int, *, screen: Screen, params: ClippingParams) -> Bytes:
    """Before and after the decision, the clip map, tones and noise per tone of one frame.

    Args:
        view: The plate; where nothing is decided for it, there is no after.
        frame: The frame.
        screen: How light is shown.
        params: How clipping is looked for.

    Raises:
        RequestError: matplotlib is not installed.
        ValueError: The stated ceiling lies where the plate's encoding has no value.
    """
    found = ceilings(view, params)
    panels = list(_panels(view, frame, screen, found))
    return laid_out(
        panels,
        title=f"{view.found.sequence.path(frame).name}",
        below=f"frame {frame}, {view.window[2]} x {view.window[3]}, {view.space}; "
        f"shown on {screen.title}",
    )


def _panels(
    view: View, frame: int, screen: Screen, found: Sequence[Ceiling | None]
) -> Iterator[Panel]:
    decided = not math.isclose(view.exposure(frame), 0.0, abs_tol=1e-9)
    light, broken = view.pixels(frame), view.broken(frame)
    aspect = pixel_aspect(view.header(frame))
    recorded = screen.picture(light, side=PANEL, broken=broken, aspect=aspect)
    yield Panel(title="as recorded", picture=sized(recorded), caption=_odd(view, frame))
    after = view.normalized(frame) if decided else None
    if after is not None:
        shown = screen.picture(after, side=PANEL, broken=broken, aspect=aspect)
        title = f"normalized, {view.exposure(frame):+g} stops"
        yield Panel(title=title, picture=sized(shown))
    mask = clip_mask(view.recorded(frame), found)
    small = any_within(mask, recorded.shape[:2])
    yield Panel(
        title="clipped",
        picture=clip_map(sized(recorded), sized(small)),  # strokes stay fine on a small picture
        caption=f"{share_text(mask)}\n{ceiling_text(found)}" + (_HATCHED if mask.any() else ""),
    )
    if after is not None:
        yield Panel(
            title="tone map, normalized",
            picture=sized(tone_map(after, view.weights, side=PANEL, broken=broken, aspect=aspect)),
            plot=plot_scale(),
        )
    ends = [one.stops for one in found if one is not None]
    yield Panel(
        title="tones",
        plot=plot_tones(
            tones_of(light, view.weights),
            None if after is None else tones_of(after, view.weights),
            ceilings=ends,
            ceilings_after=() if after is None else landing(view, frame, ends),
        ),
        caption=_LUMINANCE + (_CEILING if ends else ""),
    )
    before = measure_noise(view, [frame])
    later = measure_noise(view, [frame], normalized=True).luminance if decided else None
    pair = " and ".join(str(number) for number in before.pairs[0])
    yield Panel(
        title=f"noise per tone, frames {pair}" if len(before.pairs[0]) > 1 else "noise per tone",
        plot=plot_noise(before.luminance, later),
        caption=noise_caption(before.luminance, later, lifted=False),
    )


def _odd(view: View, frame: int) -> str:
    count = view.nonfinite(frame)
    return f"{count} samples are no numbers: squares in two greys" if count else ""

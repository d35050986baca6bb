"""Check: noise and signal to noise at every tone, before and after lift and pull.

A pull moves a tone and its noise alike: signal to noise stays, and stands at a darker tone. A
lift raises both too, but where its curve is flat it presses texture and noise together: signal
to noise is higher there than anything gained.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from gradeprep.checks.noisetable import NoiseTable, measure_noise
from gradeprep.checks.tones import Clean
from gradeprep.model.record import Finding
from gradeprep.photometry import ACCEPTABLE, EXCELLENT
from gradeprep.plugins.contracts import PlateView

__all__ = ["Noise", "NoiseParams"]


class NoiseParams(BaseModel):
    """Parameters of the noise check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field(
        "warn", description="Severity when the shadows are not clean down to clean_above"
    )
    clean_above: float | None = Field(
        None,
        description="Tone of the normalized picture, in stops from grey, down to which the signal "
        "must be 10 times the noise; nothing is asked when left out",
    )
    pairs: int = Field(
        3, ge=1, le=64, description="Frames to look at, each with its neighbour, over the shot"
    )


class Noise:
    """Reports the noise per tone of luminance and of each channel, and where shadows are clean."""

    name = "noise"
    summary = "noise at every tone, and how far down the shadows are clean"
    Params = NoiseParams

    def look(self, plate: PlateView, params: NoiseParams) -> Iterator[Finding]:
        """One note with the tables, and one finding when the shadows are not clean enough."""
        frames = plate.sample(params.pairs)
        before = measure_noise(plate, frames)
        if not before.luminance.bins:
            yield Finding(
                severity="note",
                what="noise could not be measured: no tone has enough blocks with noise in them",
                numbers={"before": before.numbers()},
                remedy="look at more pairs of frames",
            )
            return
        after = measure_noise(plate, frames, normalized=True)
        yield _told(before, after)
        clean = after.luminance.clean(ACCEPTABLE)
        if params.clean_above is not None and _falls_short(clean, params.clean_above):
            yield Finding(
                severity=params.on,
                what=f"normalized, signal over noise is {clean}, not to {params.clean_above:+g}",
                numbers={"clean_10": clean.numbers(), "clean_above": params.clean_above},
                remedy="lift less, denoise the plate first, or expose hotter next time",
            )


def _told(before: NoiseTable, after: NoiseTable) -> Finding:
    clean = {
        ratio: (before.luminance.clean(ratio), after.luminance.clean(ratio))
        for ratio in (ACCEPTABLE, EXCELLENT)
    }
    said = "; ".join(f"recorded {was}, normalized {now}" for was, now in clean.values())
    return Finding(
        severity="note",
        what=f"signal over noise: {said}",
        numbers={
            **{
                f"clean_{ratio:g}": {"before": was.numbers(), "after": now.numbers()}
                for ratio, (was, now) in clean.items()
            },
            "before": before.numbers(),
            "after": after.numbers(),
        },
        remedy="expose hotter where shadows that matter lie below these tones",
    )


def _falls_short(clean: Clean, wanted: float) -> bool:
    """Whether the normalized shadows are dirty above the wanted tone; what is unseen is not."""
    if clean.tone is None:
        return True
    return not clean.open and clean.tone > wanted

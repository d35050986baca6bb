"""How the camera is set now, from what is written of it."""

from __future__ import annotations

from dataclasses import dataclass

from gradeprep.meters.labels import Label
from gradeprep.model.documents.headroom import Given
from gradeprep.photometry import angle_from_seconds, seconds_from_angle

__all__ = ["Present"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """The present settings; what is None is not known, and gives no way.

    Attributes:
        aperture: f-number.
        t_stop: T-stop.
        time: Time the shutter is open, in seconds.
        angle: Shutter angle in degrees.
        rate: Frames per second; belongs to a time or an angle.
        index: Exposure index.
        density: Density of all filters, added up.

    Raises:
        ValueError: Two of them contradict each other, one lacks another, or one cannot be.
    """

    aperture: Label | None = None
    t_stop: Label | None = None
    time: Label | None = None
    angle: Label | None = None
    rate: Label | None = None
    index: Label | None = None
    density: Label | None = None

    def __post_init__(self) -> None:
        if self.aperture and self.t_stop:
            raise ValueError("an aperture and a T-stop say the same; give one of them")
        if self.time and self.angle:
            raise ValueError("a time and an angle say the same; give one of them")
        if (self.time or self.angle) and not self.rate:
            raise ValueError("a time or an angle needs the frame rate; give --rate")
        if self.time and self.rate:
            angle_from_seconds(self.time.value, rate=self.rate.value)
        if self.angle and self.rate:
            seconds_from_angle(self.angle.value, rate=self.rate.value)

    @property
    def given(self) -> tuple[Given, ...]:
        """All that is known, each as written and as it exactly is."""
        units = {"time": "s", "angle": "deg", "rate": "fps"}
        lines = []
        for name in ("aperture", "t_stop", "time", "angle", "rate", "index", "density"):
            label: Label | None = getattr(self, name)
            if label is not None:
                # A filter's label states the light that is held back.
                off = -label.stops if name == "density" else label.stops
                lines.append(
                    Given(
                        name=name,
                        written=label.written,
                        exact=float(label.value),
                        unit=units.get(name, ""),
                        off_by=off,
                    )
                )
        return tuple(lines)

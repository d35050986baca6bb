"""Meter: the camera's setting in the frames' headers, against an intended one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from gradeprep import photometry
from gradeprep.meters.camera_header import APERTURES, Camera, camera_of
from gradeprep.meters.labels import marked_aperture, read_label
from gradeprep.model.record import Reading
from gradeprep.plugins.contracts import PlateView

__all__ = ["Header", "HeaderParams", "Intended"]

Written = str | int | float
Quantity = Literal["aperture", "time", "index"]
T = TypeVar("T")

_QUANTITIES: tuple[Quantity, ...] = ("aperture", "time", "index")
_APERTURES = ", ".join(APERTURES)

_LOOKED_AT = 5  # frames, first and last among them, to see whether the setting moved
_MOVED = 0.01  # stops


class Intended(BaseModel):
    """The setting that the picture is to look like; what is left out was as the header says."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    aperture: Written | None = Field(None, description="f-number or T-stop, of the header's kind")
    time_s: Written | None = Field(None, description="Time in seconds: 1/48 or 0.02")
    angle_deg: Written | None = Field(None, description="Shutter angle in degrees")
    rate_fps: Written | None = Field(None, description="Rate of that angle; else the header's")
    index: Written | None = Field(None, description="Exposure index")
    density: Written | None = Field(None, description="Density of the filters intended")

    @model_validator(mode="after")
    def _asks_for_something(self) -> Intended:
        if not self.model_fields_set - {"rate_fps"}:
            raise ValueError("say at least one of aperture, time_s, angle_deg, index, density")
        if self.time_s is not None and self.angle_deg is not None:
            raise ValueError("time_s and angle_deg say the same; keep one of them")
        return self


class HeaderParams(BaseModel):
    """Parameters of the header meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    intended: Intended | None = Field(None, description="The setting intended; or give 'shot'")
    shot: str | None = Field(None, description="Shot whose header states the setting intended")
    frame: int | None = Field(None, description="Frame to read; the first one when left out")
    reference_frame: int | None = Field(None, description="Frame of that shot to read")
    same: tuple[Quantity, ...] = Field(
        (), description="What no header states and both shots had alike: aperture, time, index"
    )
    density: Written = Field(0, description="Density of the filters here; no header states it")
    reference_density: Written = Field(0, description="Density of that shot's filters")
    apertures: Literal["marked", "as_written"] = Field(
        "marked", description="Whether f/5.6 is 5.657 or 5.6"
    )
    aperture_sigma: float = Field(0.1, ge=0, description="One sigma of a set aperture, in stops")
    filter_sigma: float = Field(0.05, ge=0, description="One sigma of filters, in stops")
    light_sigma: float = Field(
        0.1, ge=0, description="One sigma of the light's change between the shots, in stops"
    )

    @model_validator(mode="after")
    def _one_reference(self) -> HeaderParams:
        if (self.intended is None) == (self.shot is None):
            raise ValueError("say either 'intended' (a setting) or 'shot' (one with a header)")
        return self


class Header:
    """Reads how much brighter the setting in the header is than an intended one.

    A header states the setting and not the light, so it is read against a setting: an
    ``intended`` one, or the header of another ``shot`` under the same light, whose pull is then
    added. Exposure goes with time, 1/N^2, 10 ** -density and the index (ISO 2720, ISO 12232).

    Sigma adds in quadrature: each aperture from a header, each stack of filters, and against
    another shot the light's change in between; times and indices count as exact.
    """

    name = "header"
    summary = "the camera's setting in the header, against an intended one or another shot's"
    Params = HeaderParams

    def read(self, plate: PlateView, params: HeaderParams) -> Reading:
        """Stops from the setting in the header to the intended one."""
        frame = plate.frames.first if params.frame is None else params.frame
        here = _side(plate, frame, params, params.density)
        if params.intended is not None:
            there, pulled = _intended(params.intended, here, params), 0.0
        else:
            there, pulled = _other(plate, params)
        counted = _counted(params)
        mine, theirs = _settings(here, there, counted)
        difference = photometry.exposure_difference(mine, reference=theirs)
        return Reading(
            meter=self.name,
            stops=pulled - difference,
            sigma=_sigma(params, counted, mine.density, theirs.density),
            evidence={
                "here": {"where": here.where, "density": here.density, **here.camera.evidence},
                "reference": {
                    "where": there.where,
                    "density": there.density,
                    "stops": pulled,
                    **there.camera.evidence,
                },
                "counted": list(counted),
                "hot_stops": difference,
            },
            warnings=(*_moves(plate, frame, here.camera, params), *_no_light(params)),
        )


@dataclass(frozen=True, slots=True)
class _Side:
    """One of the two settings that are compared, and where it is stated."""

    camera: Camera
    where: str
    density: float

    def known(self, value: T | None, what: Quantity, names: str) -> T:
        if value is None:
            raise ValueError(
                f"{self.where} states no {what} ({names}); leave it out of 'intended', or name "
                "it in 'same' if both shots had it alike"
            )
        return value


def _side(plate: PlateView, frame: int, params: HeaderParams, density: Written) -> _Side:
    camera = _camera(plate, frame, params)
    where = f"the header of {plate.shot} frame {frame}"
    return _Side(camera, where, float(_told("density", density, params)))


def _camera(plate: PlateView, frame: int, params: HeaderParams) -> Camera:
    try:
        found = camera_of(plate.header(frame))
    except ValueError as error:
        raise ValueError(f"the header of {plate.shot} frame {frame} cannot be: {error}") from error
    if params.apertures == "as_written":
        return found
    exact = {name: marked_aperture(number) for name, number in found.apertures.items()}
    return replace(found, apertures=exact)


def _other(plate: PlateView, params: HeaderParams) -> tuple[_Side, float]:
    """The reference shot's side, and the pull that it gets."""
    assert params.shot is not None
    if params.shot == plate.shot:
        raise ValueError("a shot cannot be its own reference")
    other = plate.other(params.shot)
    first = other.frames.first
    frame = first if params.reference_frame is None else params.reference_frame
    return _side(other, frame, params, params.reference_density), other.exposure(frame)


def _intended(intended: Intended, here: _Side, params: HeaderParams) -> _Side:
    """The intended setting as a side; its aperture is of the kind that the header states."""
    apertures: dict[str, float] = {}
    if intended.aperture is not None:
        kind = here.known(next(iter(here.camera.apertures), None), "aperture", _APERTURES)
        column = "tstop" if kind == "tStop" else "aperture"
        apertures[kind] = float(_told(column, intended.aperture, params))
    seconds = None
    if intended.time_s is not None:
        seconds = float(_told("time_s", intended.time_s, params))
    elif intended.angle_deg is not None:
        seconds = _intended_angle(intended, here, params)
    index = None if intended.index is None else float(_told("index", intended.index, params))
    density = float(_told("density", intended.density or 0, params))
    return _Side(Camera(apertures, seconds, index, None), "the intended setting", density)


def _intended_angle(intended: Intended, here: _Side, params: HeaderParams) -> float:
    angle = float(_told("angle_deg", intended.angle_deg or "", params))
    rate: float | Fraction | None = here.camera.rate
    if intended.rate_fps is not None:
        rate = _told("rate_fps", intended.rate_fps, params)
    if rate is None:
        raise ValueError(f"{here.where} states no rate for an angle; give rate_fps or time_s")
    return float(photometry.seconds_from_angle(angle, rate=rate))


def _told(column: str, written: Written, params: HeaderParams) -> float | Fraction:
    try:
        return read_label(column, str(written), marked=params.apertures == "marked").value
    except ValueError as error:
        raise ValueError(f"{column}: {error}") from error


def _counted(params: HeaderParams) -> tuple[Quantity, ...]:
    """What the two settings may differ in; the rest is alike."""
    asked = params.intended
    if asked is None:
        return tuple(name for name in _QUANTITIES if name not in params.same)
    timed = asked.time_s if asked.angle_deg is None else asked.angle_deg
    wanted = (asked.aperture, timed, asked.index)
    return tuple(name for name, it in zip(_QUANTITIES, wanted, strict=True) if it is not None)


def _settings(
    here: _Side, there: _Side, counted: tuple[Quantity, ...]
) -> tuple[photometry.Setting, photometry.Setting]:
    kind = _common_aperture(here, there) if "aperture" in counted else None

    def setting(side: _Side) -> photometry.Setting:
        camera = side.camera
        seconds = 1.0
        if "time" in counted:
            seconds = side.known(camera.seconds, "time", "expTime, or a shutter angle and a rate")
        return photometry.Setting(
            aperture=1.0 if kind is None else camera.apertures[kind],
            seconds=seconds,
            index=side.known(camera.index, "index", "isoSpeed") if "index" in counted else 1.0,
            density=side.density,
        )

    return setting(here), setting(there)


def _common_aperture(here: _Side, there: _Side) -> str:
    """The attribute by which both state their aperture."""
    for side in (here, there):
        side.known(next(iter(side.camera.apertures), None), "aperture", _APERTURES)
    both = [kind for kind in here.camera.apertures if kind in there.camera.apertures]
    if not both:
        raise ValueError(
            f"{here.where} states {', '.join(here.camera.apertures)} and {there.where} states "
            f"{', '.join(there.camera.apertures)}; they may differ by the lens's transmittance, "
            "so give 'intended'"
        )
    return both[0]


def _sigma(
    params: HeaderParams, counted: tuple[Quantity, ...], density: float, other_density: float
) -> float:
    told_by_headers = 1 if params.shot is None else 2
    apertures = [params.aperture_sigma] * (told_by_headers if "aperture" in counted else 0)
    filters = [params.filter_sigma for it in (density, other_density) if it > 0.0]
    return math.hypot(*apertures, *filters, 0.0 if params.shot is None else params.light_sigma)


def _no_light(params: HeaderParams) -> tuple[str, ...]:
    if params.shot is None:
        return ()
    return (f"headers state no light: it is taken to be that of {params.shot}",)


def _moves(plate: PlateView, frame: int, here: Camera, params: HeaderParams) -> list[str]:
    """A line for each number of the setting that is not the same over the plate."""
    numbers = [number for number in plate.sample(_LOOKED_AT) if number != frame]
    cameras = plate.each(numbers, lambda number: _camera(plate, number, params))
    found: dict[str, str] = {}
    for number, camera in zip(numbers, cameras, strict=True):
        for name, value in _plain(here).items():
            other = _plain(camera).get(name)
            if other is not None and abs(math.log2(other / value)) > _MOVED:
                found.setdefault(
                    name,
                    f"{name} is {value:g} at frame {frame} and {other:g} at frame {number}; "
                    f"the reading is that of frame {frame}",
                )
    return list(found.values())


def _plain(camera: Camera) -> Mapping[str, float]:
    return {name: it for name, it in camera.evidence.items() if isinstance(it, float)}

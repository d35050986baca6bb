"""Meter: the camera notes, a light reading against the camera's setting."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from gradeprep import photometry
from gradeprep.meters.camera_notes import Note, read_note
from gradeprep.meters.labels import Label, read_label
from gradeprep.model.record import Reading
from gradeprep.model.stops import stops_from
from gradeprep.plugins.contracts import PlateView

__all__ = ["Notes", "NotesParams"]

_LIGHT = ("luminance_cd_m2", "illuminance_lx", "ev100")

Written = Literal["marked", "as_written"]


class NotesParams(BaseModel):
    """Parameters of the notes meter."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    file: Path = Field(description="CSV or YAML file of camera notes")
    shot: str | None = Field(None, description="Name in the notes; the shot's own when left out")
    frame: int | None = Field(None, description="Frame to look up; the first one when left out")
    ignore: tuple[str, ...] = Field((), description="Columns that are not about exposure")
    apertures: Written = Field("marked", description="Whether f/5.6 is 5.657 or 5.6")
    times: Written = Field("as_written", description="Whether 1/60 s is 1/64 or 1/60 s")
    constant_k: float = Field(
        photometry.REFLECTED_LIGHT, gt=0, description="Meter constant K for luminance, ISO 2720"
    )
    constant_c: float = Field(
        photometry.FLAT_RECEPTOR, gt=0, description="Meter constant C for illuminance, ISO 2720"
    )
    light_sigma: float = Field(0.1, ge=0, description="One sigma of the light reading, in stops")
    aperture_sigma: float = Field(0.1, ge=0, description="One sigma of a set aperture, in stops")
    filter_sigma: float = Field(0.05, ge=0, description="One sigma of filters, in stops")


class Notes:
    """Reads how hot the setting is against what the light reading asks for (ISO 2720, ISO 2721).

    A meter asks for N^2/t = L S/K, or E S/C; the setting gives N^2/t, less the filters. A T-stop
    stands in for N where the notes have one. Sigma adds in quadrature: the light reading (a hand
    meter repeats to about a tenth of a stop), the aperture (a ring is set to about as much) and,
    where there are any, the filters; times and indices count as exact (common practice, no
    source, for all of them).
    """

    name = "notes"
    summary = "camera notes in a CSV or YAML file: a light reading against the setting"
    Params = NotesParams

    def read(self, plate: PlateView, params: NotesParams) -> Reading:
        """Stops from the noted exposure to the metered one."""
        frame = plate.frames.first if params.frame is None else params.frame
        shot = plate.shot if params.shot is None else params.shot
        note = read_note(plate.folder / params.file, shot=shot, frame=frame, ignore=params.ignore)
        row = _Row(note, params)
        aperture, aperture_label = row.one_of("aperture", "tstop")
        setting = photometry.Setting(
            aperture=float(aperture_label.value),
            seconds=row.seconds(),
            index=float(row.label("index").value),
            density=float(row.label("density").value) if row.says("density") else 0.0,
        )
        asked = photometry.exposure_value(
            aperture=setting.aperture, seconds=setting.seconds, index=setting.index
        )
        light = row.light()
        hot = light - asked - photometry.stops_from_density(setting.density)
        filtered = params.filter_sigma if setting.density else 0.0
        return Reading(
            meter=self.name,
            stops=-hot,
            sigma=math.hypot(params.light_sigma, params.aperture_sigma, filtered),
            evidence={
                "file": note.file,
                "line": note.line,
                "shot": shot,
                "frame": frame,
                aperture: setting.aperture,
                "time_s": float(setting.seconds),
                "index": setting.index,
                "density": setting.density,
                "light_ev100": light,
                "setting_ev100": asked,
                "hot_stops": hot,
                "labels": {column: label.evidence for column, label in row.labels.items()},
            },
        )


class _Row:
    """The values of one note, each with its column in every error."""

    def __init__(self, note: Note, params: NotesParams) -> None:
        self.note = note
        self.params = params
        self.labels: dict[str, Label] = {}

    def says(self, column: str) -> bool:
        return column in self.note.cells

    def label(self, column: str) -> Label:
        if not self.says(column):
            raise self.note.fault(column, "is missing")
        marked = self.params.times if column == "time_s" else self.params.apertures
        try:
            found = read_label(column, self.note.cells[column], marked=marked == "marked")
        except ValueError as error:
            raise self.note.fault(column, str(error)) from error
        self.labels[column] = found
        return found

    def one_of(self, *columns: str) -> tuple[str, Label]:
        said = [column for column in columns if self.says(column)]
        if not said:
            raise self.note.fault("", f"says none of {', '.join(columns)}", "give one of them")
        if len(said) > 1:
            raise self.note.fault(said[1], f"stands beside {said[0]}", "keep one of them")
        return said[0], self.label(said[0])

    def seconds(self) -> Fraction | float:
        """Exact seconds, from a time or from an angle and a rate; never longer than a frame."""
        column, label = self.one_of("time_s", "angle_deg")
        rate = self.label("rate_fps").value if self.says("rate_fps") else None
        try:
            if column == "angle_deg":
                if rate is None:
                    raise self.note.fault("rate_fps", "is missing; an angle needs it")
                return photometry.seconds_from_angle(float(label.value), rate=rate)
            if rate is not None:
                photometry.angle_from_seconds(label.value, rate=rate)
        except ValueError as error:
            raise self.note.fault(column, str(error)) from error
        return label.value

    def light(self) -> float:
        """EV at ISO 100 of the light reading."""
        column, label = self.one_of(*_LIGHT)
        if column == "ev100":
            return float(label.value)
        reflected = column == "luminance_cd_m2"
        constant = self.params.constant_k if reflected else self.params.constant_c
        return stops_from(float(label.value) * 100.0 / constant)

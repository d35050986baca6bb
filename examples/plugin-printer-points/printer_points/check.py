"""Check: whether the decision on a shot would find room on a printer's scale."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from gradeprep.model.record import Finding
from gradeprep.plugins.contracts import PlateView
from printer_points.points import LIGHTS, STOPS

__all__ = ["PrinterRange", "PrinterRangeParams"]


class PrinterRangeParams(BaseModel):
    """Parameters of the check."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    on: Literal["fail", "warn", "note"] = Field("warn", description="Severity of a finding")
    aim: int = Field(
        LIGHTS // 2, ge=1, le=LIGHTS, description="Printer light of a plate that needs no change"
    )


class PrinterRange:
    """Tells the first frame whose light would fall off the scale of 1 to 50."""

    api = 1
    name = "printer_range"
    summary = "decisions that a printer's scale of 50 lights could not hold"
    Params = PrinterRangeParams

    def look(self, plate: PlateView, params: PrinterRangeParams) -> Iterator[Finding]:
        """One finding at the most; looks at no pixel."""
        lights = {frame: params.aim + plate.exposure(frame) / STOPS for frame in plate.frames}
        off = {frame: light for frame, light in lights.items() if not 1.0 <= light <= LIGHTS}
        if off:
            frame, light = next(iter(off.items()))
            yield Finding(
                severity=params.on,
                what=f"its printer light would be {light:.1f}, and there are 1 to {LIGHTS}",
                frame=frame,
                numbers={"light": light, "frames": len(off)},
                remedy="look whether the stops are right",
            )

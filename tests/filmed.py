"""Tiny plates with timecode, rate and reel, as a day of shooting leaves them, and lists."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import OpenEXR
from support import write_dpx, write_exr

from gradeprep.model import timecode

__all__ = ["edl", "stamp", "write_plate"]


def stamp(text: str) -> OpenEXR.TimeCode:
    """The EXR time word of a label."""
    time = OpenEXR.TimeCode()
    time.hours, time.minutes, time.seconds = (int(text[i : i + 2]) for i in (0, 3, 6))
    time.frame, time.dropFrame = int(text[9:]), text[8] == ";"
    return time


def write_plate(
    folder: Path,
    name: str,
    start: str | None = "01:00:00:00",
    *,
    frames: int = 24,
    first: int = 1001,
    rate: str | None = "24",
    reel: str | None = None,
    light: float = 0.5,
    per_label: int = 1,
    kind: str = "exr",
) -> Path:
    """A plate of one grey; ``per_label`` frames share a label. Returns its pattern."""
    exact = Fraction(rate or 24)
    nominal = round(exact) // per_label
    begin = None if start is None else timecode.count(start, nominal)
    for index in range(frames):
        path = folder / f"{name}.{first + index:04d}.{kind}"
        label = None
        if begin is not None and start is not None:
            label = timecode.label(begin + index // per_label, nominal, drop=";" in start)
        if kind == "dpx":
            codes = dict.fromkeys("RGB", np.full((2, 4), 500, np.uint16))
            write_dpx(path, codes, timecode=label, rate=rate)
            continue
        header = {
            "timeCode": None if label is None else stamp(label),
            "framesPerSecond": None if rate is None else exact,
            "reelName": reel,
        }
        planes = dict.fromkeys("RGB", np.full((2, 4), light, np.float16))
        write_exr(path, planes, **{key: it for key, it in header.items() if it is not None})
    return folder / f"{name}.####.{kind}"


def edl(path: Path, *lines: str, fcm: str = "NON-DROP FRAME") -> Path:
    """An edit decision list; the first line given is its third."""
    path.write_text("\n".join(["TITLE: cut", f"FCM: {fcm}", *lines]) + "\n", encoding="utf-8")
    return path

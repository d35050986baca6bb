"""What is measured: each job with every program that can do it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass

from .plates import STOPS_HOT, Kind, Plates
from .programs import Programs, Way, Word, gain

__all__ = ["HD", "SIZES", "UHD", "Job", "every_job", "usual_jobs"]

HD, UHD, EIGHT_K = (1920, 1080), (3840, 2160), (7680, 4320)
SIZES = (HD, UHD, EIGHT_K)

_CODECS = ("zip", "piz", "dwaa", "htj2k256", "none")
_LIFT = ("--lift", "1", "--below", "-3", "--softness", "3")
_CONFIG = ("--colorconfig", "ocio://studio-config-latest")


@dataclass(frozen=True, slots=True)
class Job:
    """One job on one kind of plate.

    Attributes:
        name: What the table calls it.
        kind: The plate.
        ways: Who does it; ours first.
        remark: What another program leaves out, or why one is missing.
        comparable: Whether all results are the same picture.
    """

    name: str
    kind: Kind
    ways: tuple[Way, ...]
    remark: str = ""
    comparable: bool = True


def usual_jobs(plates: Plates, programs: Programs, size: tuple[int, int]) -> list[Job]:
    """The five jobs, the pull with two codecs more."""
    return [
        *(_pull(programs, Kind(size, compression=codec)) for codec in ("zip", "piz", "dwaa")),
        *_others(plates, programs, size),
    ]


def every_job(plates: Plates, programs: Programs) -> Iterator[Job]:
    """All sizes, codecs, types and depths."""
    for size in SIZES:
        for kind_type in ("half", "float"):
            for codec in _CODECS:
                yield _pull(programs, Kind(size, type=kind_type, compression=codec))
        yield from _others(plates, programs, size)
        yield _log_to_log(plates, programs, Kind(size, "dpx", "uint12", ""))


def _others(plates: Plates, programs: Programs, size: tuple[int, int]) -> list[Job]:
    log = Kind(size, "dpx", "uint10", "")
    return [
        _lift(programs, Kind(size)),
        _log_to_aces(plates, programs, log),
        _log_to_log(plates, programs, log),
        _metered(programs, Kind(size)),
    ]


def _pull(programs: Programs, kind: Kind) -> Job:
    ways = [
        programs.pull("--space", "ACEScg", extension="exr"),
        *programs.floor(),
        _mulc(programs, kind),
    ]
    # Its scaler, which every half frame goes through, clamps at 1; it encodes none of the others.
    remark = "ffmpeg clamps half at 1.0 and encodes neither piz, dwaa nor htj2k"
    if kind.type == "float" and kind.compression in ("zip", "none"):
        codec = {"zip": "zip16", "none": "none"}[kind.compression]
        output = ("-c:v", "exr", "-compression", codec, "-format", "float")
        ways += programs.ffmpeg(kind, f"exposure={-STOPS_HOT:g}", *output)
        remark = ""
    return Job(f"pull, {_told(kind)}", kind, tuple(ways), remark)


def _lift(programs: Programs, kind: Kind) -> Job:
    ways = (
        programs.pull("--space", "ACEScg", *_LIFT, extension="exr"),
        *programs.floor(),
        _mulc(programs, kind),
    )
    remark = "oiiotool pulls without the lift"
    return Job(f"lift and pull, {_told(kind)}", kind, ways, remark, comparable=False)


def _metered(programs: Programs, kind: Kind) -> Job:
    ways = (programs.metered("ACEScg"), *programs.floor(), _mulc(programs, kind))
    remark = "oiiotool pulls by a given number, it does not meter"
    return Job(f"metered pull, {_told(kind)}", kind, ways, remark, comparable=False)


def _log_to_aces(plates: Plates, programs: Programs, kind: Kind) -> Job:
    told = ("--out-space", "ACES2065-1", "--type", "half", "--compression", "zip")
    output = ("-d", "half", "--compression", "zip")
    steps = (*_CONFIG, "--colorconvert", "ACEScct", "ACES2065-1", *gain())
    ways = (
        programs.pull("--space", "ACEScct", *_LIFT, *told, extension="exr"),
        *programs.floor("--light", lambda: str(plates.light(kind.size))),
        programs.oiiotool(kind, *steps, output=output, extension="exr"),
    )
    remark = "the floor encodes pixels that were ready before; oiiotool pulls without the lift"
    name = f"log to ACES with lift, {_told(kind)} to EXR half zip"
    return Job(name, kind, ways, remark, comparable=False)


def _log_to_log(plates: Plates, programs: Programs, kind: Kind) -> Job:
    steps: dict[str, tuple[Word, ...]] = {
        "colour steps, ": (
            *(*_CONFIG, "--colorconvert", "ACEScct", "ACEScg"),
            *(*gain(), "--colorconvert", "ACEScg", "ACEScct"),
        ),
        "one CLF, ": ("--ociofiletransform", lambda: _transform(plates, "clf")),
    }
    depth = kind.type.removeprefix("uint")
    ways = (
        programs.pull("--space", "ACEScct", extension="dpx"),
        *programs.floor(),
        *(
            programs.oiiotool(kind, *these, output=("-d", kind.type), extension="dpx", by=by)
            for by, these in steps.items()
        ),
        *programs.ffmpeg(
            kind,
            lambda: f"lut1d=file={_transform(plates, 'cube')}",
            *("-c:v", "dpx", "-pix_fmt", f"gbrp{depth}be"),
        ),
    )
    remark = "oiiotool by colour steps and by one CLF, the faster one told; ffmpeg by a 1D LUT"
    return Job(f"log to log pull, {_told(kind)}", kind, ways, remark)


def _mulc(programs: Programs, kind: Kind) -> Way:
    output = ("-d", kind.type, "--compression", kind.compression)
    return programs.oiiotool(kind, *gain(), output=output, extension="exr")


def _transform(plates: Plates, extension: str) -> str:
    """The log pull as a CLF (``clf``) or a 1D LUT (``cube``), for programs that take one."""
    folder = plates.folder / "transforms"
    if not folder.is_dir():
        told = ("--space", "ACEScct", "--stops", f"{-STOPS_HOT:g}")
        formats = ("--format", "clf", "--format", "1d")
        command = [sys.executable, "-m", "gradeprep", "compensate", *told, *formats, str(folder)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return str(next(folder.glob(f"*.{extension}")))


def _told(kind: Kind) -> str:
    words = (f"{kind.size[0]}x{kind.size[1]}", kind.format.upper(), kind.type, kind.compression)
    return " ".join(word for word in words if word)

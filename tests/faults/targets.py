"""What reads things that others wrote: our own parsers, and the libraries' decoders behind them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import OpenEXR
import OpenImageIO as oiio
from fakeview import FakeView
from refusal import RECIPE, codes, light
from support import write_dpx, write_exr

from gradeprep import sidecar
from gradeprep.meters.notes import Notes, NotesParams
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plates import dpx, exr, exrscan, files

from .film import Film, call

__all__ = ["TARGETS", "Target", "seeds"]


@dataclass(frozen=True, slots=True)
class Target:
    """Something that reads a file.

    Attributes:
        name: In words.
        suffix: Extension of its files.
        read: Reads one; refuses with an error of ours (or `ValueError`, where its contract says
            so), and raises nothing else.
        share: Part of all inputs that goes here.
        refuses: Errors that are a refusal, besides ours.
    """

    name: str
    suffix: str
    read: Callable[[Path], object]
    share: float
    refuses: tuple[type[Exception], ...] = ()


def _dpx(path: Path) -> None:
    dpx.inspect(path)
    dpx.read(path)


def _notes(path: Path) -> None:
    view = FakeView({1001: np.ones((2, 2, 3))}, shot="quay_0110")
    Notes().read(view, NotesParams(file=path))


def _exr(path: Path) -> None:
    exr.inspect(path)
    files.read(path)


TARGETS = {
    target.name: target
    for target in (
        Target("DPX reader", ".dpx", _dpx, 0.2),
        Target("EXR structure", ".exr", exrscan.scan, 0.2),
        Target("recipe", ".yaml", read_recipe, 0.2),
        Target("sidecar", ".json", sidecar.load, 0.15),
        Target("camera notes", ".csv", _notes, 0.1, (ValueError,)),
        Target("EXR decoder", ".exr", _exr, 0.1),
        Target("TIFF decoder", ".tif", files.read, 0.05),
    )
}


def seeds(folder: Path) -> dict[str, Sequence[bytes]]:
    """Good inputs of each target."""
    film = Film(folder / "film", "exr", 2)
    code, said = call("run", film.recipe, "--jobs", "1", "--quiet")
    assert code == 0, said
    exrs = [_bytes(path) for path in _exrs(folder)]
    return {
        "DPX reader": [_bytes(path) for path in _dpxs(folder)],
        "EXR structure": exrs,
        "recipe": [text.encode() for text in (RECIPE, _LONG_RECIPE)],
        "sidecar": [_bytes(film.out / "quay.stops.json")],
        "camera notes": [text.encode() for text in _NOTES],
        "EXR decoder": exrs,
        "TIFF decoder": [_bytes(_tiff(folder / "quay.tif"))],
    }


def _bytes(path: Path) -> bytes:
    return path.read_bytes()


def _exrs(folder: Path) -> list[Path]:
    found = [
        write_exr(folder / f"{name.lower()}.exr", light("RGBA"), compression=kind)
        for name, kind in OpenEXR.Compression.__members__.items()
        if not name.startswith("NUM_")
    ]
    tiles = OpenEXR.TileDescription()
    tiles.xSize = tiles.ySize = 8
    found.append(write_exr(folder / "tiled.exr", light(), type=OpenEXR.tiledimage, tiles=tiles))
    parts = [
        OpenEXR.Part({"name": name, "type": OpenEXR.scanlineimage}, light(names))
        for name, names in (("beauty", "RGB"), ("depth", "Z"))
    ]
    OpenEXR.File(parts).write(str(folder / "parts.exr"))
    return [*found, folder / "parts.exr"]


def _dpxs(folder: Path) -> list[Path]:
    return [
        write_dpx(folder / f"{bits}{names}.dpx", codes(names, bits=bits), bits=bits)
        for bits in (8, 10, 12, 16)
        for names in ("RGB", "RGBA")
    ]


def _tiff(path: Path) -> Path:
    out = oiio.ImageOutput.create(str(path))
    out.open(str(path), oiio.ImageSpec(16, 12, 3, oiio.FLOAT))
    out.write_image(np.zeros((12, 16, 3), np.float32))
    out.close()
    return path


_LONG_RECIPE = """\
gradeprep: 1
colour: {config: "ocio://studio-config-latest", working: scene_linear}
defaults:
  space: ACEScct
  stages:
    - lift: {stops: 1.0, below: -3.0, softness: 3.0}
    - pull: {stops: {1001: -3.0, 1048: -2.5}}
    - balance: {stops: [0.1, 0, -0.1]}
  checks: {clipping: {}, noise: {}, pixels: {on: fail}}
  output: {plate: "out/{shot}/{shot}.####.exr", space: source, type: half, compression: zip}
shots:
  quay_0100: &quay {plate: "plates/quay_0100.####.exr", frames: "1001-1048x2,1050"}
  quay_0110:
    plate: "plates/quay_0110.####.exr"
    stages: [{pull: {stops: {meter: reference, shot: quay_0100, region: [10, 10, 64, 64]}}}]
  quay_0120: *quay
"""

_NOTES = (
    "shot,aperture,time_s,index,density,luminance_cd_m2\nquay_0110,16,1/100,100,,3200\n",
    "shot,frames,t_stop,angle_deg,rate,index,illuminance_lx,comment\n"
    'quay_0110,1001-1048,T4,172.8,24000/1001,800,1600 lux,"hot, on purpose"\n',
)

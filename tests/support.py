"""What tests share: running the program in this process, small plates, the folder of real ones."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from gradeprep.cli import main
from gradeprep.model.frame import Frame, Part
from gradeprep.plates import dpx, dpxheader

__all__ = ["Ran", "plates_folder", "run", "snapshot", "write_dpx", "write_exr"]


class Ran:
    """What a run of the program left: exit code, standard output, standard error."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code = code
        self.out = out
        self.err = err

    def __repr__(self) -> str:
        return f"Ran({self.code}, out={self.out!r}, err={self.err!r})"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> Ran:
    """Run ``gradeprep ARGUMENTS`` in this process."""
    capsys.readouterr()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["gradeprep", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
    out, err = capsys.readouterr()
    code = left.value.code
    return Ran(code if isinstance(code, int) else 0, out, err)


def plates_folder() -> Path:
    """The folder of real images, or a skip."""
    folder = os.environ.get("GRADEPREP_PLATES")
    if not folder:
        pytest.skip("GRADEPREP_PLATES does not name the folder of real images")
    return Path(folder)


def snapshot(*folders: Path) -> dict[str, str]:
    """Every file and folder below the given ones, with its content's hash."""
    found = {}
    for folder in folders:
        for path in sorted(_below(folder)):
            told = "folder"
            if path.is_symlink():
                told = f"link to {path.readlink()}"
            elif path.is_file():
                told = hashlib.sha256(path.read_bytes()).hexdigest()
            found[str(path)] = told
    return found


def _below(folder: Path) -> Iterator[Path]:
    yield folder
    yield from folder.rglob("*")


def write_exr(path: Path, channels: Mapping[str, np.ndarray], **attributes: Any) -> Path:
    """A scanline EXR of the given planes; zip unless ``compression`` says otherwise."""
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage, **attributes}
    planes = {name: np.ascontiguousarray(plane) for name, plane in channels.items()}
    path.parent.mkdir(parents=True, exist_ok=True)
    OpenEXR.File(header, planes).write(str(path))
    return path


def write_dpx(
    path: Path, channels: Mapping[str, np.ndarray], *, bits: int = 10, **fields: Any
) -> Path:
    """A DPX of the given code values, with a fresh header."""
    first = next(iter(channels.values()))
    header = {"transfer": 3, "colorimetric": 0, "timecode": "01:00:00:00", "rate": "24", **fields}
    raw = dpxheader.new_header(
        width=first.shape[1],
        height=first.shape[0],
        channels=tuple(channels),
        bits=bits,
        filename=path.name,
        **header,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    dpx.write(Frame("dpx", (Part("", dict(channels), {}, bits),), raw), path)
    return path

"""The shipped OpenColorIO config, and broken relatives of it made from its text."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gradeprep.colour import Colour

__all__ = ["CONFIGS", "HARBOUR", "converted", "harbour_with", "space_text"]

CONFIGS = Path(__file__).parents[1] / "configs"
HARBOUR = CONFIGS / "harbour.ocio"


def space_text(name: str, *, encoding: str = "log", to_reference: str = "") -> str:
    """A color space as the text of a config; its colorspaces section is the last one."""
    lines = [f"    name: {name}", "    isdata: false"]
    if encoding:
        lines.append(f"    encoding: {encoding}")
    if to_reference:
        lines.append(f"    to_scene_reference: {to_reference}")
    return "\n  - !<ColorSpace>\n" + "\n".join(lines) + "\n"


def harbour_with(path: Path, *spaces: str, **replaced: str) -> Path:
    """Write the shipped config with spaces added, and some of its keys' values replaced."""
    lines = HARBOUR.read_text(encoding="utf-8").splitlines()
    for key, value in replaced.items():
        (index,) = (i for i, line in enumerate(lines) if line.startswith(f"{key}:"))
        lines[index] = f"{key}: {value}"
    path.write_text("\n".join(lines) + "\n" + "".join(spaces), encoding="utf-8")
    return path


def converted(colour: Colour, source: str, result: str, values: object) -> np.ndarray:
    """Values between two spaces: N x 3, or N neutrals, as float32 N x 3."""
    given = np.asarray(values, np.float32)
    rgb = given if given.ndim == 2 else np.repeat(given[:, None], 3, axis=1)
    pixels = rgb[None].copy()
    convert = colour.convert(source, result)
    if convert is not None:
        convert(pixels)
    return pixels[0]

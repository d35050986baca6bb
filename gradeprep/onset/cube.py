"""Text tables of colours in ``.cube`` files, 1D and 3D, as the published specification lays them.

The Cube LUT Specification, version 1.0: a title, a size, the domain, then one line of red, green
and blue a point; in a 3D table red changes fastest. Values may pass 0 and 1; what is looked up
outside the domain is clamped to it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

__all__ = ["SIZES_1D", "SIZES_3D", "lattice", "line", "write"]

SIZES_1D = (2, 65536)
"""Fewest and most points of a 1D table (Cube LUT Specification 1.0)."""

SIZES_3D = (2, 129)
"""Fewest and most points along an edge of a 3D table; the specification would go up to 256."""

Colours = npt.NDArray[np.float32]


def line(points: int) -> Colours:
    """Even neutrals from 0 to 1: N x 3 float32."""
    ramp = np.linspace(0.0, 1.0, points, dtype=np.float32)
    return np.repeat(ramp[:, None], 3, axis=1)


def lattice(edge: int) -> Colours:
    """Even colours that fill the cube of codes, red changing fastest: edge**3 x 3 float32."""
    ramp = np.linspace(0.0, 1.0, edge, dtype=np.float32)
    blue, green, red = np.meshgrid(ramp, ramp, ramp, indexing="ij")
    return np.stack([red.ravel(), green.ravel(), blue.ravel()], axis=-1)


def write(path: Path, colours: Colours, *, edge: int | None, title: str) -> None:
    """Write a table over the domain 0 to 1.

    Args:
        path: The file.
        colours: N x 3, what the points of `line` or `lattice` become, in their order.
        edge: Points along an edge of a 3D table; None for a 1D one.
        title: One line; what is not plain ASCII is replaced.

    Raises:
        OSError: The file cannot be written.
    """
    plain = title.encode("ascii", "replace").decode().replace('"', "'")
    size = f"LUT_1D_SIZE {len(colours)}" if edge is None else f"LUT_3D_SIZE {edge}"
    head = f'TITLE "{plain}"\n{size}\nDOMAIN_MIN 0.0 0.0 0.0\nDOMAIN_MAX 1.0 1.0 1.0\n'
    rows = map("%.8f %.8f %.8f\n".__mod__, map(tuple, colours.tolist()))
    with path.open("w", encoding="ascii", newline="\n") as stream:
        stream.write(head)
        stream.writelines(rows)

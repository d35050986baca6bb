"""Files for monitors, written, read back and measured before they are handed out.

Each is held against the exact transform over the whole range of codes; one that is over the
tolerance does not get its name.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gradeprep.errors import ColourError, OutputRefusedError, WriteError
from gradeprep.model.documents.compensation import (
    CompensationDocument,
    Format,
    RefusalDocument,
    TransformDocument,
)
from gradeprep.onset import cube
from gradeprep.onset.card import card_text
from gradeprep.onset.compensation import Order
from gradeprep.onset.deviation import Deviation, Probe, deviation
from gradeprep.onset.exact import through
from gradeprep.plates.atomic import publish
from gradeprep.runners.folder import check_free
from gradeprep.transforms import from_file

__all__ = ["make"]

_BEYOND = np.repeat(np.array([[-0.0625], [1.0625]], np.float32), 3, axis=1)
"""Codes past both ends, to see whether a file clamps them."""

Colours = npt.NDArray[np.float32]


class _OverToleranceError(Exception):
    """A written file is too far from the exact transform."""


def make(order: Order, folder: Path, *, overwrite: bool = False) -> CompensationDocument:
    """Write the files of a set and its card; each is read back before it gets its name.

    Args:
        order: The set.
        folder: Where it goes; made where it is not there.
        overwrite: Write over files of the same names.

    Returns:
        What was handed out, and what was refused as over the tolerance and is not there.

    Raises:
        OutputRefusedError: A file is there already, or the folder is a file.
        WriteError: A file could not be written whole.
    """
    card = folder / f"{order.name}.txt"
    names = [*(name for _, _, name in order.files()), card.name]
    check_free(folder, names, overwrite=overwrite)
    fresh = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"the folder cannot be made: {error.strerror}"
        raise OutputRefusedError(what, file=folder, remedy="name another folder") from error
    probe = Probe.around(order.exact.grey)
    exact = {s: order.exact.at(s)(probe.codes) for s in order.ask.stops}
    files: list[TransformDocument] = []
    refused: list[RefusalDocument] = []
    for stops, kind, name in order.files():
        try:
            files.append(_hand_out(order, folder / name, stops, kind, probe, exact[stops]))
        except _OverToleranceError as error:
            refused.append(RefusalDocument(file=str(folder / name), why=str(error)))
    found = CompensationDocument(
        config=order.colour.name,
        sha256=order.colour.sha256,
        space=order.space,
        display=order.look.display if order.look else None,
        view=order.look.view if order.look else None,
        files=tuple(files),
        refused=tuple(refused),
        left_out=order.left_out,
        card=str(card) if files else None,
    )
    if files:
        text = card_text(found)
        publish(card, partial(_write_text, text), partial(Path.read_text, encoding="utf-8"))
    elif fresh:
        with suppress(OSError):  # somebody put a file there meanwhile
            folder.rmdir()
    return found


def _hand_out(
    order: Order, path: Path, stops: float, kind: Format, probe: Probe, exact: Colours
) -> TransformDocument:
    """Write one file, read it back, measure it, and name it only where it is within tolerance."""

    def verify(temp: Path) -> tuple[Deviation, bool]:
        try:
            ways = [from_file(temp)]
            if kind == "3d":
                ways.append(from_file(temp, tetrahedral=True))
        except ColourError as error:
            # the library takes what follows such a sign for the name of a variable
            remedy = "name a folder without $ and %" if {"$", "%"} & set(str(path)) else "report it"
            raise WriteError(error.what, remedy=remedy, file=path) from error
        found = [through(way, probe.codes) for way in ways]
        off = deviation(probe, exact, found, None if order.look else order.exact.light)
        _refuse(off, order, kind)
        wanted = order.exact.at(stops)(_BEYOND)
        return off, not np.allclose(through(ways[0], _BEYOND), wanted, rtol=0, atol=1e-4)

    off, clamps = publish(path, _writer(order, stops, kind), verify)
    ceiling = order.exact.ceiling_tone
    return TransformDocument(
        file=str(path),
        format=kind,
        size=order.size(kind),
        stops=stops,
        formula=order.formula and kind == "clf",
        error_stops=off.stops,
        error_codes=off.codes,
        error_neutral=off.neutral,
        error_colours=off.colours,
        clamps=clamps,
        ceiling=ceiling,
        ceiling_shown=ceiling + stops,
    )


def _writer(order: Order, stops: float, kind: Format) -> Callable[[Path], None]:
    if kind == "clf":
        return partial(_write_text, order.clf[stops])
    size = order.ask.size_1d if kind == "1d" else order.ask.size_3d
    points = cube.line(size) if kind == "1d" else cube.lattice(size)
    return partial(
        cube.write,
        colours=order.exact.at(stops)(points),
        edge=size if kind == "3d" else None,
        title=f"{order.name} {stops:+g} stops",
    )


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _refuse(off: Deviation, order: Order, kind: Format) -> None:
    """Raise where a file is over the tolerance, saying by how much and what would help."""
    limit = order.ask.tolerance
    if off.stops is None:
        held = [
            ("codes", f"{off.neutral:.2f} codes on neutrals", off.neutral, limit.shown_codes),
            ("colours", f"{off.colours:.1f} codes on colours", off.colours, limit.colours),
        ]
    else:
        held = [
            ("stops", f"{off.stops:.5f} stops", off.stops, limit.stops),
            ("codes", f"{off.codes:.2f} codes", off.codes, limit.log_codes),
        ]
    over = [(key, found, top) for key, found, value, top in held if value > top]
    if over:
        what = ", ".join(f"{found} (tolerance {top:g})" for _, found, top in over)
        most = {"1d": cube.SIZES_1D[1], "3d": cube.SIZES_3D[1]}.get(kind)
        more = "" if order.size(kind) == most else f"give more points (--size-{kind}), or "
        keys = ", ".join(f"--tolerance-{key}" for key, _, _ in over)
        raise _OverToleranceError(f"off by {what}; {more}allow it with {keys}")

"""Frames that were cut anywhere: each is refused by name, before anything is written."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import OpenEXR
from refusal import codes, light
from support import snapshot, write_dpx, write_exr

from gradeprep.plates.dpxheader import HEADER_BYTES, value

from .film import SIZE, call
from .tally import Tally

__all__ = ["torn"]

LARGEST = 4_000_000
"""Bytes of a real file that is cut."""


def torn(folder: Path, *, count: int, seed: int) -> Iterator[Tally]:
    """Cut files of every codec and packing, and real ones where there are any, at random bytes.

    Args:
        folder: Where the files go.
        count: Files in all.
        seed: What everything is drawn from.
    """
    chance = random.Random(f"torn {seed}")
    tally = Tally("frames cut at a random byte")
    whole = [*_made(folder / "whole"), *_real()]
    for index in range(count):
        source = chance.choice(whole)
        raw = source.read_bytes()
        left = chance.randrange(len(raw)) if chance.random() < 0.8 else len(raw) - 1
        plate = folder / f"{index}" / f"quay.1001{source.suffix}"
        plate.parent.mkdir()
        plate.write_bytes(raw[:left])
        before = snapshot(plate.parent)
        code, said = call("pull", plate, plate.parent / "out", *_ASK[source.suffix])
        tally.add(
            _after(tally, plate, code, said, same=snapshot(plate.parent) == before),
            f"{source.name} cut to {left} of {len(raw)} bytes",
        )
        plate.unlink()
    yield tally


_USUAL = ("--stops", "-1", "--jobs", "1", "--quiet", "--any-space")
_ASK = {
    ".exr": (*_USUAL, "--space", "ACEScg"),
    ".dpx": (*_USUAL, "--space", "ACEScct"),
}


def _after(tally: Tally, plate: Path, code: int, said: str, *, same: bool) -> Iterator[str]:
    if "Traceback" in said or "internal error" in said:
        tally.crashes += 1
        yield said[-300:]
    elif code != 1 or plate.name not in said:
        yield f"exit code {code}: {said[-300:]}"
    if not same:
        tally.wrong += 1
        yield "something was written"


def _made(folder: Path) -> Iterator[Path]:
    for name, kind in OpenEXR.Compression.__members__.items():
        if not name.startswith("NUM_"):
            path = folder / f"{name.lower()}.exr"
            yield write_exr(path, light("RGBA", **SIZE), compression=kind)
    planes = light("RGB", **SIZE)
    yield write_exr(folder / "float.exr", {n: p.astype(np.float32) for n, p in planes.items()})
    for bits in (8, 10, 12, 16):
        yield write_dpx(folder / f"{bits}.dpx", codes(bits=bits, **SIZE), bits=bits)


def _real() -> Iterator[Path]:
    """Small real files that tell their own size, where the environment names a folder of them.

    A DPX that tells another size may hold bytes behind its image that nothing speaks of: whether
    one of those is gone, nobody can see.
    """
    folder = os.environ.get("GRADEPREP_PLATES")
    for path in sorted(Path(folder).rglob("*")) if folder else ():
        if path.suffix not in _ASK or path.stat().st_size > LARGEST or "odd" in path.parts:
            continue
        raw = path.read_bytes()
        if path.suffix == ".exr" or value(raw[:HEADER_BYTES], "file_size") == len(raw):
            yield path

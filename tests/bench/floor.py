"""The floor: frames read and written by the same library, and nothing else. A program of its own.

No arithmetic, no hash, no verification, no flush to disk; frames in parallel, codec threads off.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import OpenEXR

LAYOUTS = ("processes", "threads")


def copy_exr(result: Path, source: Path) -> None:
    """Decode an EXR and encode it again."""
    OpenEXR.File(OpenEXR.File(str(source), separate_channels=True).parts).write(
        str(result / source.name)
    )


def copy_dpx(result: Path, source: Path) -> None:
    """Unpack a DPX and pack it again."""
    from gradeprep.plates import dpx

    dpx.write(dpx.read(source), result / source.name)


def dpx_to_exr(result: Path, light: Path, source: Path) -> None:
    """Unpack a DPX and encode, as half zip, pixels that were ready before."""
    from gradeprep.plates import dpx

    dpx.read(source)
    planes = dict(zip("RGB", map(np.asarray, np.load(light, mmap_mode="r")), strict=True))
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    OpenEXR.File(header, planes).write(str(result / f"{source.stem}.exr"))


def start() -> None:
    """The layout of our workers: codec threads off, and freed memory kept."""
    from gradeprep import machine

    OpenEXR.set_global_thread_count(0)
    machine.keep_freed()


def main(arguments: Sequence[str] | None = None) -> None:
    """Copy all frames of a folder to another."""
    parser = argparse.ArgumentParser()
    parser.add_argument("layout", choices=LAYOUTS)
    parser.add_argument("jobs", type=int)
    parser.add_argument("source", type=Path)
    parser.add_argument("result", type=Path)
    parser.add_argument("--light", type=Path)
    told = parser.parse_args(arguments)
    sources = sorted(told.source.iterdir())
    if told.light:
        work = partial(dpx_to_exr, told.result, told.light)
    else:
        work = partial(copy_dpx if sources[0].suffix == ".dpx" else copy_exr, told.result)
    pool: Executor
    if told.layout == "threads":
        pool = ThreadPoolExecutor(told.jobs, initializer=start)
    else:
        spawn = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(told.jobs, mp_context=spawn, initializer=start)
    with pool:
        list(pool.map(work, sources))


if __name__ == "__main__":
    main()

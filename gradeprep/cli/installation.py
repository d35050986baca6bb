"""Looking at this installation: every part is asked, and what is wrong is said with its remedy."""

from __future__ import annotations

import platform
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from packaging.requirements import Requirement

from gradeprep import colour, machine
from gradeprep._version import __version__
from gradeprep.cli.requirements import faults, floor, installed_version, requirements
from gradeprep.errors import GradeprepError, PluginError, RequestError
from gradeprep.model.documents.diagnosis import (
    ConfigDocument,
    DiagnosisDocument,
    LibraryDocument,
    LimitsDocument,
    Problem,
)
from gradeprep.model.frame import Frame, Part
from gradeprep.plates import dpxheader, exr, files, limits
from gradeprep.plugins.registry import Registry, installed

__all__ = ["examine"]

_GIB = 2**30
_FRAME_GIB = 0.5
"""GiB for a frame of 4096 x 2160 RGBA in half: read, worked on in float, and written."""

_SIDE = 8


def examine(config: str | None = None) -> DiagnosisDocument:
    """Look at libraries, machine, config, limits, plugins and codecs.

    Args:
        config: What ``--config`` would say.
    """
    needed = requirements()
    space, wrong_config = _config(config)
    allowed, wrong_limits = _limits()
    loaded, wrong_plugins = _plugins(installed())
    memory = machine.memory()
    return DiagnosisDocument(
        program=__version__,
        python=platform.python_version(),
        system=f"{platform.system()} {platform.machine()}",
        processors=machine.processors(),
        memory_gib=None if memory is None else round(memory / _GIB, 1),
        libraries=_libraries(needed.pop("", ())),
        extras={extra: _libraries(packages) for extra, packages in needed.items()},
        config=space,
        limits=allowed,
        plugins=loaded,
        problems=(
            *faults(),
            *_memory(memory, machine.processors()),
            *wrong_config,
            *wrong_limits,
            *wrong_plugins,
            *([] if wrong_limits else _codecs()),
        ),
    )


def _told(error: GradeprepError) -> Problem:
    """An error of this program's own as a problem."""
    remedy = error.remedy or "see to it"
    return Problem(what=str(error).removesuffix(f"; {error.remedy}"), remedy=remedy)


def _libraries(needed: Iterable[Requirement]) -> dict[str, LibraryDocument]:
    return {
        one.name: LibraryDocument(version=installed_version(one.name), floor=floor(one))
        for one in needed
    }


def _memory(memory: int | None, processors: int) -> Iterator[Problem]:
    if memory is not None and memory < processors * _FRAME_GIB * _GIB:
        fit = max(1, int(memory / _GIB / _FRAME_GIB))
        yield Problem(
            what=f"{memory / _GIB:.1f} GiB of memory are little for {processors} frames of 4K at "
            "once",
            remedy=f"say --jobs {fit}",
        )


def _config(asked: str | None) -> tuple[ConfigDocument, list[Problem]]:
    name, who = colour.choose_config(None, asked)
    try:
        config = colour.load(name)
        config.guard_working("scene_linear")
    except GradeprepError as error:
        return ConfigDocument(name=name, named_by=who), [_told(error)]
    return ConfigDocument(name=config.name, named_by=who, sha256=config.sha256), []


def _limits() -> tuple[LimitsDocument | None, list[Problem]]:
    try:
        found, seconds = limits.current(), limits.seconds()
    except RequestError as error:
        return None, [_told(error)]
    return LimitsDocument(side=found.side, gib=found.bytes / limits.GIB, seconds=seconds), []


def _plugins(registry: Registry) -> tuple[dict[str, int], list[Problem]]:
    loaded: Counter[str] = Counter()
    problems = []
    for kind, name in dict.fromkeys((entry.kind, entry.name) for entry in registry.entries):
        try:
            registry.get(kind, name)
            loaded[kind] += 1
        except PluginError as error:
            problems.append(_told(error))
    return dict(loaded), problems


def _codecs() -> Iterator[Problem]:
    """A small picture of each kind, written and read back, bit for bit."""
    light = np.linspace(0.0, 4.0, _SIDE * _SIDE, dtype=np.float16).reshape(_SIDE, _SIDE)
    codes = np.arange(_SIDE * _SIDE, dtype=np.uint16).reshape(_SIDE, _SIDE)
    raw = dpxheader.new_header(
        width=_SIDE,
        height=_SIDE,
        channels=("R", "G", "B"),
        bits=10,
        transfer=0,
        colorimetric=0,
        timecode=None,
        rate=None,
        filename="trial.dpx",
    )
    header = exr.new_header(width=_SIDE, height=_SIDE)
    frames = {
        "exr": Frame("exr", (Part("", dict.fromkeys("RGB", light), header),)),
        "dpx": Frame("dpx", (Part("", dict.fromkeys("RGB", codes), {}, 10),), raw),
    }
    with tempfile.TemporaryDirectory(prefix="gradeprep-") as folder:
        for name, frame in frames.items():
            try:
                same = _comes_back(frame, Path(folder) / f"trial.{name}")
                cause = "other pixels come back"
            except GradeprepError as error:
                same, cause = False, error.what
            if not same:
                yield Problem(
                    what=f"a small {name.upper()} does not survive being written: {cause}",
                    remedy="see to the disk of temporary files, or install the libraries anew",
                )


def _comes_back(frame: Frame, path: Path) -> bool:
    files.write(frame, path)
    planes = frame.parts[0].channels
    found = files.read(path).parts[0].channels
    return all(np.array_equal(planes[name], found[name]) for name in planes)

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
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PIXEL_TYPES
from gradeprep.plates import files, formats, limits
from gradeprep.plates.format import Shared, Stamp
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


def _problem(error: GradeprepError) -> Problem:
    """An error of this program's own as a problem."""
    remedy = error.remedy or "correct it"
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
        return ConfigDocument(name=name, named_by=who), [_problem(error)]
    return ConfigDocument(name=config.name, named_by=who, sha256=config.sha256), []


def _limits() -> tuple[LimitsDocument | None, list[Problem]]:
    try:
        found, seconds = limits.current(), limits.seconds()
    except RequestError as error:
        return None, [_problem(error)]
    return LimitsDocument(side=found.side, gib=found.bytes / limits.GIB, seconds=seconds), []


def _plugins(registry: Registry) -> tuple[dict[str, int], list[Problem]]:
    loaded: Counter[str] = Counter()
    problems = []
    for kind, name in dict.fromkeys((entry.kind, entry.name) for entry in registry.entries):
        try:
            registry.get(kind, name)
            loaded[kind] += 1
        except PluginError as error:
            problems.append(_problem(error))
    return dict(loaded), problems


def _codecs() -> Iterator[Problem]:
    """A small picture of each kind, written and read back, bit for bit."""
    with tempfile.TemporaryDirectory(prefix="gradeprep-") as folder:
        for name in formats.WRITABLE:
            try:
                same = _comes_back(name, Path(folder) / f"trial.{name}")
                cause = "other pixels come back"
            except GradeprepError as error:
                same, cause = False, error.what
            if not same:
                title = formats.by_name(name).TITLE
                yield Problem(
                    what=f"a small {title} cannot be written and read back: {cause}",
                    remedy="check the disk that holds temporary files, or reinstall the libraries",
                )


def _comes_back(format: str, path: Path) -> bool:
    writer = formats.writable(format)
    kind = writer.TYPES[0]
    dtype, bits, _ = PIXEL_TYPES[kind]
    ramp = np.arange(_SIDE * _SIDE).astype(dtype).reshape(_SIDE, _SIDE)
    source = Frame("", (Part("", dict.fromkeys("RGB", ramp), {}, bits),))
    output = OutputOrder(format=format, type=kind, compression=writer.DEFAULT_COMPRESSION)
    stamp = Stamp(0.0, (), space_changed=False, chromaticities=None, encoding="")
    frame, _ = writer.carried(source, Shared(), {}, output, stamp, path.name)
    files.write(frame, path)
    found = files.read(path).parts[0].channels
    return all(np.array_equal(ramp, found[name]) for name in "RGB")

"""What makes the bytes of results, with its versions: the same wherever frames run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib import metadata

from gradeprep._version import __version__
from gradeprep.model.order import ARITHMETIC
from gradeprep.model.shot import ShotDocument
from gradeprep.plugins.registry import installed

__all__ = ["differing", "stages_of", "versions"]

_LIBRARIES = {
    "OpenEXR": "OpenEXR",
    "OpenImageIO": "openimageio",
    "OpenColorIO": "opencolorio",
    "numpy": "numpy",
}
"""Libraries that results go through, and the packages that bring them."""

_STAGE = "stage "


def versions(stages: Iterable[str]) -> dict[str, str]:
    """Everything that has a part in results here, by name.

    Args:
        stages: Names of the stages that are used; each is listed as ``stage NAME`` with the
            package that provides it.
    """
    found = {"gradeprep": __version__, "arithmetic": str(ARITHMETIC)}
    for name, package in _LIBRARIES.items():
        found[name] = _version(package)
    entries = [entry for entry in installed().entries if entry.kind == "stages"]
    for stage in sorted(set(stages)):
        sources = [entry.source for entry in entries if entry.name == stage]
        found[f"{_STAGE}{stage}"] = " and ".join(sources) or "absent"
    return found


def stages_of(documents: Iterable[ShotDocument]) -> set[str]:
    """Names of the stages that shots use."""
    frames = (frame for document in documents for frame in document.frames)
    return {order.stage for frame in frames for order in frame.stages}


def differing(planned: Mapping[str, str]) -> list[str]:
    """What is not here as it was where the shots were planned, each as a few words.

    Args:
        planned: What `versions` gave there.
    """
    stages = [name.removeprefix(_STAGE) for name in planned if name.startswith(_STAGE)]
    here = versions(stages)
    return [
        f"{name} {here.get(name, 'absent')} (planned with {version})"
        for name, version in planned.items()
        if here.get(name, "absent") != version
    ]


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "absent"

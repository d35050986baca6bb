"""Stops of a decision that is one gain per channel; any other decision is refused.

ASC CDL files (``.cc``, ``.ccc``, ``.cdl``, release 1.2) are read here, because OpenColorIO
drops a saturation in an element with another name; CLF is read by OpenColorIO.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from gradeprep.conform.timeline import cdl_of, numbers_in
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.model.documents.conform import CdlDocument
from gradeprep.model.stops import stops_from, valid_stops
from gradeprep.plates.regular import asked_for

__all__ = ["ChannelStops", "decision_from", "decisions_in", "stops_of_cdl"]

ChannelStops = tuple[float, float, float]
"""Exposure changes of R, G and B in stops."""

_MAX_BYTES = 64 * 2**20
_CLOSE = 1e-6
_VALUES = ("Slope", "Offset", "Power", "Saturation")
_PARENTS = ("SOPNode", "SOPnode", "ASC_SOP", "SatNode", "SATNode", "SATnode")


def decision_from(path: Path) -> ChannelStops:
    """Stops for R, G and B of a file that holds one decision, a gain per channel.

    Raises:
        RequestError: It cannot be read, holds more than one, or is not a gain; with the reason.
    """
    found = decisions_in(path)
    if len(found) > 1:
        raise RequestError(
            f"holds {len(found)} corrections: {', '.join(found)}",
            file=path,
            remedy="give a file with one",
        )
    return next(iter(found.values()))


def decisions_in(path: Path) -> Mapping[str, ChannelStops]:
    """Stops for R, G and B of every correction of a file, by its id.

    Args:
        path: ``.cc``, ``.ccc``, ``.cdl`` (without clamp, as for scene-linear light) or ``.clf``.

    Raises:
        RequestError: It cannot be read, or one of them is not a gain; with the reason.
    """
    kind = path.suffix.lower()
    if kind not in (".cc", ".ccc", ".cdl", ".clf"):
        raise RequestError(
            f"'{kind}' is not a form of a decision",
            file=path,
            remedy="give .cc, .ccc, .cdl, .clf, .edl, .otio",
        )
    try:
        raw = asked_for(path, _MAX_BYTES, missing="no such file")
        return {"": _stops(_clf_gains(path))} if kind == ".clf" else _cdl_stops(raw)
    except GradeprepError as error:
        raise error.at(file=path) from error


def _cdl_stops(raw: bytes) -> dict[str, ChannelStops]:
    if b"<!DOCTYPE" in raw:
        raise RequestError("it has a document type, which an ASC CDL does not need")
    try:
        root = ET.fromstring(raw)
    except ET.ParseError as error:
        line, _ = error.position
        raise RequestError(f"line {line}: not XML: {error.msg}") from error
    found: dict[str, ChannelStops] = {}
    for index, node in enumerate(_corrections(root), 1):
        name = node.get("id") or f"#{index}"
        if name in found:
            raise RequestError(f"two corrections have the id '{name}'")
        try:
            found[name] = _stops(_cdl_gains(_cdl(node)))
        except RequestError as error:
            error.what = f"correction '{name}' {error.what}"
            raise
    if not found:
        raise RequestError("no ColorCorrection in it")
    return found


def _corrections(root: ET.Element) -> Iterator[ET.Element]:
    return (node for node in root.iter() if _tag(node) == "ColorCorrection")


def _tag(node: ET.Element) -> str:
    return node.tag.rpartition("}")[2]


def _cdl(node: ET.Element) -> CdlDocument:
    values: dict[str, list[float]] = {}
    for child in node:
        for element in child:
            name = _tag(element)
            if name not in _VALUES:
                continue
            if _tag(child) not in _PARENTS:
                raise RequestError(
                    f"has a {name} in '{_tag(child)}', which is not an ASC CDL element"
                )
            if name in values:
                raise RequestError(f"has two values of {name}")
            values[name] = _numbers(element, 1 if name == "Saturation" else 3)
    sop = [*values.get("Slope", [1.0] * 3), *values.get("Offset", [0.0] * 3)]
    cdl, why = cdl_of([*sop, *values.get("Power", [1.0] * 3)], values.get("Saturation", [1.0])[0])
    if cdl is None:
        raise RequestError(f"is not a legal ASC CDL: {why}")
    return cdl


def _numbers(node: ET.Element, wanted: int) -> list[float]:
    text = node.text or ""
    numbers = numbers_in(text)
    if len(numbers) != wanted or len(text.split()) != wanted:
        raise RequestError(f"has a {_tag(node)} of '{' '.join(text.split()):.40}'")
    return numbers


def stops_of_cdl(cdl: CdlDocument) -> ChannelStops:
    """Stops for R, G and B of an ASC CDL.

    Raises:
        RequestError: It is not a plain gain.
    """
    return _stops(_cdl_gains(cdl))


def _cdl_gains(cdl: CdlDocument) -> ChannelStops:
    if max(map(abs, cdl.offset)) > 0:
        raise RequestError(f"has an offset of {_shown(cdl.offset)}: not a plain gain")
    if max(abs(power - 1) for power in cdl.power) > _CLOSE:
        raise RequestError(f"has a power of {_shown(cdl.power)}: not a plain gain")
    if abs(cdl.saturation - 1) > _CLOSE:
        raise RequestError(f"has a saturation of {cdl.saturation:g}: not a plain gain")
    return cdl.slope


def _clf_gains(path: Path) -> ChannelStops:
    """Linear gains of a CLF of plain gains."""
    import PyOpenColorIO as ocio

    config = ocio.Config.CreateRaw()
    config.setProcessorCacheFlags(ocio.PROCESSOR_CACHE_OFF)
    ocio.ClearAllCaches()  # the library caches files by name
    try:
        steps = list(config.getProcessor(ocio.FileTransform(str(path))).createGroupTransform())
    except (ocio.Exception, ocio.ExceptionMissingFile) as error:
        raise RequestError(f"cannot be read as a CLF: {_reason(error)}") from error
    gains = [1.0, 1.0, 1.0]
    for step in steps:
        kind = type(step).__name__.removesuffix("Transform")
        if kind == "Matrix":
            own = _diagonal(step.getMatrix(), step.getOffset())
        elif kind == "CDL":
            if step.getStyle() != ocio.CDL_NO_CLAMP:
                raise RequestError("has a CDL that clamps to 0..1: not a plain gain")
            own = _cdl_gains(_checked(step))
        else:
            raise RequestError(f"has a step of kind '{kind}': not a plain gain")
        back = step.getDirection() == ocio.TRANSFORM_DIR_INVERSE
        gains = [gain * _turned(one, back) for gain, one in zip(gains, own, strict=True)]
    return gains[0], gains[1], gains[2]


def _checked(step: Any) -> CdlDocument:
    sop = (*step.getSlope(), *step.getOffset(), *step.getPower())
    cdl, why = cdl_of(sop, step.getSat())
    if cdl is None:
        raise RequestError(f"has an illegal ASC CDL: {why}")
    return cdl


def _diagonal(matrix: list[float], offset: list[float]) -> ChannelStops:
    if any(offset):
        raise RequestError(f"has a matrix with an offset of {_shown(offset[:3])}: not a plain gain")
    if any(matrix[4 * row + column] for row in range(4) for column in range(4) if row != column):
        raise RequestError("has a matrix that mixes channels: not a plain gain")
    if matrix[15] != 1.0:
        raise RequestError(f"has a matrix that changes alpha by {matrix[15]:g}")
    return matrix[0], matrix[5], matrix[10]


def _turned(gain: float, back: bool) -> float:
    if not back:
        return gain
    return 1.0 / gain if gain else math.inf


def _reason(error: Exception) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[-1] if lines else "no reason given"


def _shown(values: tuple[float, ...] | list[float]) -> str:
    return " ".join(f"{value:g}" for value in values)


def _stops(gains: ChannelStops) -> ChannelStops:
    try:
        red, green, blue = (valid_stops(stops_from(gain)) for gain in gains)
    except ValueError as error:
        raise RequestError(f"has gains of {_shown(gains)}: {error}") from error
    return red, green, blue

"""The contract of a check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from gradeprep.model.record import Finding
from gradeprep.plugins.testing.clauses import Tried, tried
from gradeprep.plugins.testing.plate import MemoryPlate
from gradeprep.plugins.testing.samples import awkward_plates, hot_plate

__all__ = ["check_check"]


def check_check(
    check: Any,
    params: Mapping[str, Any] | BaseModel | None = None,
    plate: MemoryPlate | None = None,
    *,
    faulty: MemoryPlate | None = None,
) -> None:
    """Hold a check against `gradeprep.plugins.contracts.Check`.

    Args:
        check: Its class.
        params: Parameters to try it with.
        plate: A plate to look at; `samples.hot_plate` when left out.
        faulty: A plate on which it must find something.

    Raises:
        BrokenContract: With the clause that does not hold.
    """
    one = tried("checks", check, params)
    plate = plate or hot_plate()
    for seen in (plate, *([] if faulty is None else [faulty])):
        found = _look(one, seen)
        for other in (one, one.again()):
            one.demand(_look(other, seen) == found, "purity", "it finds something else next time")
    if faulty is not None:
        one.demand(bool(_look(one, faulty)), "finds", "nothing was found")
    for what, awkward in awkward_plates().items():
        given = one.may_refuse(f"look at {what}", _found, one, awkward)
        _whole(one, awkward, given or [])
    one.unchanged()


def _look(one: Tried, plate: MemoryPlate) -> list[Finding]:
    found = one.call("look", _found, one, plate)
    _whole(one, plate, found)
    return found


def _found(one: Tried, plate: MemoryPlate) -> list[Any]:
    return list(one.made.look(plate, one.params))


def _whole(one: Tried, plate: MemoryPlate, found: list[Any]) -> None:
    for finding in found:
        fine = isinstance(finding, Finding)
        one.demand(fine, "findings", f"look gave {type(finding).__name__}")
        there = finding.frame is None or finding.frame in plate.frames
        one.demand(there, "findings", f"the plate has no frame {finding.frame}")
        one.demand(bool(finding.what.strip()), "findings", "a finding says nothing")
        try:
            Finding.model_validate_json(finding.model_dump_json())
        except ValueError as error:
            one.broken("findings", f"its numbers are no JSON: {error}")

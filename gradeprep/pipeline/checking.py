"""Running checks: an error in one names the check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeprep import crashreport
from gradeprep.model.record import Finding
from gradeprep.plugins.calling import calling, misbehaved
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed

__all__ = ["run_checks"]


def run_checks(view: PlateView, checks: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Findings of all checks, in the order the checks are named.

    Args:
        view: The plate.
        checks: Check name to its parameters, as its own model made them.

    Raises:
        GradeprepError: A frame cannot be read, or a check cannot do its work.
    """
    findings: list[Finding] = []
    for name, params in checks.items():
        check = installed().get("checks", name)
        with (
            calling("checks", name, shot=view.shot),
            crashreport.at(f"check {name}", shot=view.shot),
        ):
            found = list(check.look(view, params))
        for one in found:
            if not isinstance(one, Finding):
                what = f"yielded {type(one).__name__}, not a Finding"
                raise misbehaved("checks", name, what, shot=view.shot)
        findings.extend(found)
    return tuple(findings)

"""Running checks: whatever goes wrong in one is told with its name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeprep.errors import GradeprepError, PluginError, RequestError
from gradeprep.model.record import Finding
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
        try:
            findings.extend(check.look(view, params))
        except GradeprepError as error:
            raise error.at(shot=view.shot) from error
        except ValueError as error:
            raise RequestError(str(error), shot=view.shot, key=f"check {name}") from error
        except Exception as error:
            raise PluginError(
                f"failed with {type(error).__name__}: {error}",
                shot=view.shot,
                key=f"check {name}",
                remedy="report it to the check's author, or leave the check out",
            ) from error
    return tuple(findings)

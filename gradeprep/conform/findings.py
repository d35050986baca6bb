"""Findings of a conform as lines for a terminal: each reason once, with its number of events."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from gradeprep.model.documents.conform import Remark

__all__ = ["summary"]

_OWN = re.compile(r"'[^']*'|\S*\.#+\S*|\S*\d\S*")
_SHOWN = 3


def summary(remarks: Iterable[Remark]) -> Iterator[str]:
    """Lines of findings; of more than three that differ in names and numbers alone, the first.

    An error is joined only with errors of the same words: every missing plate has its line.
    """
    groups: dict[tuple[str, str], list[Remark]] = {}
    for remark in remarks:
        exact = remark.severity == "fail"
        key = f"{remark.what} {remark.remedy}" if exact else _OWN.sub("", remark.what)
        groups.setdefault((remark.severity, key), []).append(remark)
    for (severity, _), group in groups.items():
        shown = group if len(group) <= _SHOWN else group[:1]
        yield from (f"{severity}  {remark}" for remark in shown)
        if len(group) > len(shown):
            yield f"{severity}  and {len(group) - 1} more like it; --json lists all"

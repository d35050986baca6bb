"""What a run of mutants came to, as a table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

__all__ = ["table"]


def table(modules: Sequence[str], counts: Counter[tuple[str, str]]) -> str:
    """A Markdown table, a row a module and one for all; counts are by module and word."""
    rows = [
        "| module | changes | tried | killed | unnoticeable | survived |",
        "|---|---|---|---|---|---|",
    ]
    total = Counter[str]()
    for module in modules:
        killed = counts[module, "killed"] + counts[module, "timeout"]
        unnoticed, survived = counts[module, "unnoticed"], counts[module, "survived"]
        told = {
            "there": counts[module, "there"],
            "tried": killed + unnoticed + survived,
            "killed": killed,
            "unnoticed": unnoticed,
            "survived": survived,
        }
        total.update(told)
        rows.append(_row(f"`{module}`", told))
    return "\n".join((*rows, _row("all", total)))


def _row(name: str, told: dict[str, int]) -> str:
    words = ("there", "tried", "killed", "unnoticed", "survived")
    return f"| {name} | {' | '.join(str(told[word]) for word in words)} |"

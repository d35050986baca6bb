"""What a series of faults came to, and the table of all series."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

__all__ = ["Tally", "table"]


@dataclass
class Tally:
    """One series of faults.

    Attributes:
        name: What was done, in words.
        tried: Faults that were tried.
        survived: Those after which everything was as promised.
        hangs: Programs or decodes that did not end within their time.
        crashes: Programs that ended by a signal that nobody sent, or with a traceback.
        sources: Trials after which a source was not as before.
        wrong: Files under a final name that are no whole, right frame.
        notes: One line for each trial that went wrong, and for what could not be tried.
    """

    name: str
    tried: int = 0
    survived: int = 0
    hangs: int = 0
    crashes: int = 0
    sources: int = 0
    wrong: int = 0
    notes: list[str] = field(default_factory=list)

    def add(self, problems: Iterable[str], where: str) -> None:
        """One more trial, and what went wrong in it."""
        found = list(problems)
        self.tried += 1
        self.survived += not found
        self.notes.extend(f"{self.name}: {where}: {problem}" for problem in found)


def table(tallies: Iterable[Tally], command: str, date: str) -> str:
    """The series as a Markdown table, with the command that anybody can run, and its date."""
    rows = [
        f"| {one.name} | {one.survived} / {one.tried} | {one.hangs} | {one.crashes} "
        f"| {one.sources} | {one.wrong} |"
        for one in tallies
    ]
    head = "| faults | survived / tried | hangs | crashes | sources changed | wrong frames |"
    return "\n".join((head, "|---|---|---|---|---|---|", *rows, "", f"`{command}`, {date}"))

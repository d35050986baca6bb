"""The contract of a hand-over."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from gradeprep.errors import WriteError
from gradeprep.plugins.contracts import Decided, Document, LeftOut
from gradeprep.plugins.testing.clauses import Tried, tried
from gradeprep.plugins.testing.samples import decided_shots

__all__ = ["check_handover"]

_TITLE = "scene"


def check_handover(
    handover: Any,
    params: Mapping[str, Any] | BaseModel | None = None,
    shots: Sequence[Decided] | None = None,
) -> None:
    """Hold a hand-over against `gradeprep.plugins.contracts.Handover`.

    Args:
        handover: Its class.
        params: Parameters to try it with.
        shots: Decisions that it can hold; `samples.decided_shots` when left out.

    Raises:
        BrokenContract: With the clause that does not hold.
    """
    one = tried("handovers", handover, params)
    with tempfile.TemporaryDirectory(prefix="gradeprep-") as name:
        folder = Path(name)
        given = tuple(shots or decided_shots(folder))
        made = _made(one, given)
        for other in (one, one.again()):
            same = _contents(_made(other, given)) == _contents(made)
            one.demand(same, "purity", "it makes other documents next time")
        wrote = ", ".join(path.name for path in folder.iterdir())
        one.demand(not wrote, "documents", f"make wrote {wrote}")
        for document in made:
            if isinstance(document, Document):
                _proved(one, document, folder / document.name)
    one.unchanged()


def _made(one: Tried, shots: tuple[Decided, ...]) -> list[Document | LeftOut]:
    made: list[Document | LeftOut] = one.call("make", one.made.make, shots, one.params, _TITLE)
    names = {shot.record.shot for shot in shots}
    found: set[str] = set()
    files: set[str] = set()
    for each in made:
        if isinstance(each, LeftOut):
            why = f"{each.shot} is left out, and nobody knows why"
            one.demand(bool(each.why.strip()), "documents", why)
            found.add(each.shot)
            continue
        if not isinstance(each, Document):
            one.broken("documents", f"make gave {type(each).__name__}")
        plain = Path(each.name).name == each.name and not each.name.startswith(".")
        one.demand(plain, "documents", f"'{each.name}' is no plain file name")
        one.demand(each.name not in files, "documents", f"two are called '{each.name}'")
        one.demand(isinstance(each.text, str), "documents", f"'{each.name}' holds no text")
        files.add(each.name)
        found.update(each.shots)
    one.demand(found <= names, "documents", f"{', '.join(sorted(found - names))}: no such shot")
    one.demand(found >= names, "documents", f"{', '.join(sorted(names - found))} is missing")
    return made


def _contents(made: list[Document | LeftOut]) -> list[tuple[Any, ...]]:
    """What two makings must agree on; proofs are functions of their own."""
    return [
        (one.name, one.text, one.shots, one.notes) if isinstance(one, Document) else (one,)
        for one in made
    ]


def _proved(one: Tried, document: Document, path: Path) -> None:
    path.write_text(document.text, encoding="utf-8", newline="\n")
    words = one.call(f"prove of {document.name}", document.prove, path)
    fine = isinstance(words, str) and bool(words.strip()) and "\n" not in words
    one.demand(fine, "proof", f"the proof of {document.name} says {words!r}")
    half = document.text[: len(document.text) // 2]
    for what, text in (("an empty file", ""), ("half of it", half)):
        path.write_text(text, encoding="utf-8", newline="\n")
        try:
            document.prove(path)
        except WriteError:
            continue
        except Exception as error:
            one.broken("proof", f"{what} raises {type(error).__name__}: {error}")
        one.broken("proof", f"{what} passes for {document.name}")

"""From decisions to files: everything is made and checked for room first, then written and proved.

A file gets its name only after it was read back and proved right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pydantic import BaseModel

from gradeprep.errors import RequestError, WriteError
from gradeprep.model.documents.handover import (
    FileDocument,
    HandoverDocument,
    LeftOutDocument,
    RefusedFile,
)
from gradeprep.model.wording import filled
from gradeprep.plates.atomic import publish
from gradeprep.plugins.calling import calling
from gradeprep.plugins.contracts import Decided, Document
from gradeprep.plugins.registry import installed
from gradeprep.runners.folder import check_free, result_folder

__all__ = ["EVERY", "Prepared", "deliver", "parameters", "prepare"]

EVERY = ("cc", "ccc", "cdl", "clf", "amf", "otio")
"""Forms that are handed over where none is asked for by name."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """Documents with their forms, nothing written yet, and what no document holds."""

    documents: tuple[tuple[str, Document], ...]
    left_out: tuple[LeftOutDocument, ...]


def parameters(forms: Iterable[str], settings: Mapping[str, object]) -> dict[str, BaseModel]:
    """The parameters of each form, from settings that each takes as far as it has them.

    Args:
        forms: Names of forms.
        settings: Name to value.

    Raises:
        PluginError: There is no such form, or it is broken.
        RequestError: No form takes a setting, or a value is not right.
    """
    models: dict[str, type[BaseModel]] = {
        form: installed().get("handovers", form).Params for form in forms
    }
    for key in settings:
        if not any(key in model.model_fields for model in models.values()):
            what = f"none of {', '.join(models)} takes it"
            raise RequestError(what, key=f"--{key}", remedy="leave it out, or ask for another form")
    return {
        form: filled(
            model,
            {key: value for key, value in settings.items() if key in model.model_fields},
            key=f"--as {form}",
        )
        for form, model in models.items()
    }


def prepare(
    shots: Sequence[Decided], forms: Mapping[str, BaseModel], title: str, *, by_name: bool
) -> Prepared:
    """Make all documents; write nothing.

    Args:
        shots: The decisions.
        forms: Form to its parameters.
        title: What files of all shots are called.
        by_name: The forms were asked for by name; else one that cannot serve is left out.

    Raises:
        RequestError: A form cannot serve at all, or two documents have one name.
        GradeprepError: What else a plate, a config or a plugin is in the way with.
    """
    documents: dict[str, tuple[str, Document]] = {}
    left_out: list[LeftOutDocument] = []
    for form, params in forms.items():
        try:
            plugin = installed().get("handovers", form)
            with calling("handovers", form):
                made = plugin.make(shots, params, title)
        except RequestError as error:
            if by_name:
                raise
            left_out.append(LeftOutDocument(form=form, why=str(error)))
            continue
        for one in made:
            if not isinstance(one, Document):
                left_out.append(LeftOutDocument(form=form, shot=one.shot, why=one.why))
            elif (there := documents.setdefault(one.name, (form, one)))[1].text != one.text:
                raise RequestError(
                    f"{form} and {there[0]} would both write {one.name}",
                    remedy="hand them over one by one, each to its own folder",
                )
    return Prepared(tuple(documents.values()), tuple(left_out))


def deliver(prepared: Prepared, folder: Path, *, overwrite: bool = False) -> HandoverDocument:
    """Write the documents; each is read back and proved before it gets its name.

    Raises:
        OutputRefusedError: A file is there already, or the folder is a file.
        WriteError: The folder cannot be made.
    """
    names = [document.name for _, document in prepared.documents]
    check_free(folder, names, overwrite=overwrite)
    files: list[FileDocument] = []
    refused: list[RefusedFile] = []
    with result_folder(folder):
        for form, document in prepared.documents:
            path = folder / document.name
            try:
                proof = publish(path, partial(_write, document.text), _prover(form, document, path))
            except WriteError as error:
                refused.append(RefusedFile(form=form, file=str(path), why=str(error)))
                continue
            files.append(
                FileDocument(
                    file=str(path),
                    form=form,
                    shots=document.shots,
                    proof=proof,
                    notes=document.notes,
                )
            )
    return HandoverDocument(
        folder=str(folder),
        files=tuple(files),
        left_out=prepared.left_out,
        refused=tuple(refused),
    )


def _write(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _prover(form: str, document: Document, path: Path) -> Callable[[Path], str]:
    """The document's own proof; OpenColorIO takes some signs in a path for names of variables."""

    def prove(temp: Path) -> str:
        try:
            with calling("handovers", form):
                return document.prove(temp)
        except WriteError as error:
            if {"$", "%"} & set(str(path)):
                error.remedy = "name a folder without $ and %"
            raise

    return prove

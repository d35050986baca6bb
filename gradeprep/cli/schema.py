"""``gradeprep schema KIND``."""

from __future__ import annotations

import json
from typing import Any

import click
from pydantic import TypeAdapter

from gradeprep import sidecar
from gradeprep.model.bundle import CollectDocument, FarmDocument, Manifest
from gradeprep.model.documents.compensation import CompensationDocument
from gradeprep.model.documents.conform import ConformDocument
from gradeprep.model.documents.cost import Cost
from gradeprep.model.documents.diagnosis import DiagnosisDocument
from gradeprep.model.documents.handover import HandoverDocument
from gradeprep.model.documents.headroom import HeadroomDocument
from gradeprep.model.documents.platereport import CheckDocument, MeasureDocument, SceneDocument
from gradeprep.model.documents.plugins import PluginsDocument
from gradeprep.model.recipeschema import recipe_schema
from gradeprep.pipeline.recipefile import kinds

__all__ = ["DOCUMENTS", "command"]

DOCUMENTS: dict[str, Any] = {
    "measure": MeasureDocument,
    "scene": SceneDocument,
    "check": CheckDocument,
    "headroom": HeadroomDocument,
    "compensate": CompensationDocument,
    "conform": ConformDocument,
    "handover": HandoverDocument,
    "doctor": DiagnosisDocument,
    "cost": Cost,
    "bundle": Manifest,
    "farm": FarmDocument,
    "collect": CollectDocument,
    "plugins": PluginsDocument,
}


@click.command("schema")
@click.argument("kind", type=click.Choice(["recipe", "sidecar", *DOCUMENTS]))
def command(kind: str) -> None:
    """Print a JSON Schema (2020-12): of recipes, with the installed plugins' parameters, of
    sidecars (a bundle's shots are the same), of what `measure`, `check`, `headroom`,
    `compensate`, `conform`, `handover`, `doctor`, `plugins`, `farm` or `collect` prints with
    --json, of the cost in what `plan` prints, or of a bundle's manifest. Editors complete recipes
    from it.

    \b
    Example:
      gradeprep schema recipe > recipe.schema.json
    """
    if kind == "recipe":
        found = recipe_schema(kinds())
    elif kind == "sidecar":
        found = sidecar.schema()
    else:
        found = TypeAdapter(DOCUMENTS[kind]).json_schema(by_alias=True)
        found["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    click.echo(json.dumps(found, indent=1))

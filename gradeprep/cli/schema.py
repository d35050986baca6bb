"""``gradeprep schema KIND``."""

from __future__ import annotations

import json
from typing import Any

import click
from pydantic import TypeAdapter

from gradeprep import sidecar
from gradeprep.model.advised import Advised
from gradeprep.model.compensated import Compensated
from gradeprep.model.conformed import Conformed
from gradeprep.model.costed import Cost
from gradeprep.model.diagnosed import Diagnosed
from gradeprep.model.farmed import FarmedTold, Manifest, SealedTold
from gradeprep.model.handed import HandedOver
from gradeprep.model.judged import Checked, Measured, SceneTold
from gradeprep.model.listed import Listed
from gradeprep.model.recipeschema import recipe_schema
from gradeprep.pipeline.asked import kinds

__all__ = ["DOCUMENTS", "command"]

DOCUMENTS: dict[str, Any] = {
    "measure": Measured,
    "scene": SceneTold,
    "check": Checked,
    "headroom": Advised,
    "compensate": Compensated,
    "conform": Conformed,
    "handover": HandedOver,
    "doctor": Diagnosed,
    "cost": Cost,
    "bundle": Manifest,
    "farm": FarmedTold,
    "seal": SealedTold,
    "plugins": Listed,
}


@click.command("schema")
@click.argument("kind", type=click.Choice(["recipe", "sidecar", *DOCUMENTS]))
def command(kind: str) -> None:
    """Print a JSON Schema (2020-12): of recipes, with the installed plugins' parameters, of
    sidecars (a bundle's shots are the same), of what `measure`, `check`, `headroom`,
    `compensate`, `conform`, `handover`, `doctor`, `plugins`, `farm` or `seal` prints with --json,
    of the cost in what `plan` prints, or of a bundle's manifest. Editors complete recipes from it.

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

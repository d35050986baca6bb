"""The document of `plugins`: every plugin that is installed, and what it takes."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from gradeprep.model.documents.base import CommandDocument

__all__ = ["PluginsDocument", "ParameterDocument", "PluginDocument"]


class ParameterDocument(CommandDocument):
    """A parameter of a plugin.

    Attributes:
        name: The key that a recipe uses.
        type: What it takes, in words: ``number 0..1``, ``fail, warn or note``.
        required: Whether it has no default.
        default: Its default, as plain data.
        description: What it means, with its unit.
    """

    name: str
    type: str
    required: bool
    default: Any = None
    description: str


class PluginDocument(CommandDocument):
    """A plugin.

    Attributes:
        name: The word that a recipe uses.
        kind: ``stage``, ``meter``, ``check`` or ``handover``.
        source: Distribution that brings it, with its version.
        target: ``module:object``.
        summary: What it does, in one line; empty where it does not load.
        error: Why it cannot be used; empty where it can.
        parameters: What it takes.
    """

    name: str
    kind: str
    source: str
    target: str
    summary: str = ""
    error: str = ""
    parameters: tuple[ParameterDocument, ...] = ()


class PluginsDocument(CommandDocument):
    """The document of ``gradeprep plugins --json``.

    Attributes:
        version: Version of the document's format.
        api: Version of the contracts that this gradeprep keeps.
        plugins: Every plugin, broken ones among them.
    """

    version: Literal[1] = Field(1, alias="gradeprep_plugins")
    api: int
    plugins: tuple[PluginDocument, ...]

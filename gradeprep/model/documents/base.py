"""What every document has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

__all__ = ["CommandDocument"]


class CommandDocument(BaseModel):
    """Base of the documents: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, defer_build=True)

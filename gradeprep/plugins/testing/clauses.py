"""The clauses of the contracts, and those that all kinds of plugins share."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from pydantic.fields import FieldInfo

from gradeprep.errors import GradeprepError
from gradeprep.model.wording import dotted, said
from gradeprep.plugins.contractcheck import complaints

__all__ = ["CLAUSES", "BrokenContract", "Tried", "tried"]

T = TypeVar("T")

_ANY = ConfigDict(arbitrary_types_allowed=True, populate_by_name=True)

CLAUSES: Mapping[str, str] = {
    "form": "made without arguments; name, summary, Params and every method of its kind are there",
    "parameters": "each described, unknown ones refused, every default one that is taken",
    "schema": "the parameters have a JSON Schema, and dump as JSON",
    "call": "does its work on ordinary data; what it cannot do it says by ValueError, in one line",
    "purity": "changes nothing it is given, keeps no state: the same question, the same answer",
    "numbers": "decides finite numbers, alone or in tuples, which survive being written as JSON",
    "exposure": "a finite number of stops; of a plain gain 0, or between the channels' stops",
    "pixels": "float32 in, new float32 pixels of the same shape out, in one piece of memory",
    "finite": "finite pixels stay finite",
    "rows": "what becomes of a pixel depends on that pixel alone: rows come in any number",
    "gains": "gains say what apply does: three positive factors, or None",
    "tones": "tone_gain and tone_gain_back say what apply and inverse do",
    "slope": "no tone rises by less, per stop, than slope says",
    "inverse": "takes apply back, but for rounding magnified by 1/slope",
    "reading": "a Reading with the meter's name, a sigma from 0, and evidence that JSON holds",
    "follows": "a plate that is one stop brighter reads one stop lower",
    "frame": "asked for a frame, it reads the light of that frame alone",
    "findings": "Findings of frames that the plate has, with numbers that JSON holds",
    "finds": "finds something on a plate that is said to have it",
    "documents": "Documents with plain names, each shot described or left out, nothing written",
    "proof": "a proof says how it was proved, and raises WriteError for a file that is not right",
}
"""Clause to what it asks for."""


class BrokenContract(AssertionError):  # noqa: N818  # what it says, not what went wrong in here
    """A plugin does not keep its contract.

    Attributes:
        clause: Which of `CLAUSES`.
    """

    def __init__(self, plugin: str, clause: str, what: str) -> None:
        self.clause = clause
        line = " ".join(what.split())
        super().__init__(f"{plugin} breaks '{clause}' ({CLAUSES[clause]}): {line}")


@dataclass(frozen=True)
class Tried:
    """A plugin under test.

    Attributes:
        kind: Its kind, in the singular.
        made: An instance.
        params: Its parameters, checked.
        known: What it was before it was called.
    """

    kind: str
    made: Any
    params: Any = None
    known: str = field(default="", repr=False)

    @property
    def label(self) -> str:
        """Kind and name."""
        return f"{self.kind} '{getattr(self.made, 'name', type(self.made).__name__)}'"

    def broken(self, clause: str, what: str) -> NoReturn:
        """Say that a clause does not hold."""
        raise BrokenContract(self.label, clause, what)

    def demand(self, holds: bool, clause: str, what: str) -> None:
        """Say so if a clause does not hold."""
        if not holds:
            self.broken(clause, what)

    def call(self, what: str, function: Callable[..., T], *arguments: Any) -> T:
        """What a call gives that must succeed."""
        try:
            return function(*arguments)
        except BrokenContract:
            raise
        except Exception as error:
            if "read-only" in str(error):
                raise BrokenContract(self.label, "purity", f"{what} writes into pixels") from error
            text = f"{what} raised {type(error).__name__}: {error}"
            raise BrokenContract(self.label, "call", text) from error

    def may_refuse(self, what: str, function: Callable[..., T], *arguments: Any) -> T | None:
        """What a call gives that may say that it cannot; None where it does."""

        def run() -> T | None:
            try:
                return function(*arguments)
            except (ValueError, GradeprepError) as error:
                if isinstance(error, ValidationError) or "read-only" in str(error):
                    raise
                self.demand(bool(str(error).strip()), "call", f"{what} refuses without a word")
                return None

        return self.call(what, run)

    def again(self) -> Tried:
        """Another instance with the same parameters."""
        return Tried(self.kind, type(self.made)(), self.params, self.known)

    def unchanged(self) -> None:
        """Demand that neither the instance nor its parameters have changed."""
        self.demand(self.known == _state(self.made, self.params), "purity", "it keeps state")


def tried(kind: str, plugin: Any, params: Mapping[str, Any] | BaseModel | None) -> Tried:
    """A plugin made ready to be tried, the clauses that all kinds share behind it.

    Args:
        kind: ``stages``, ``meters``, ``checks`` or ``handovers``.
        plugin: The class, or anything that makes one without arguments.
        params: Parameters to try it with.
    """
    try:
        made = plugin() if callable(plugin) else plugin
    except Exception as error:
        what = f"making one raised {type(error).__name__}: {error}"
        name = getattr(plugin, "__name__", repr(plugin))
        raise BrokenContract(f"{kind[:-1]} {name}", "form", what) from error
    one = Tried(kind[:-1], made)
    for complaint in complaints(kind, made):
        one.broken("form", f"it {complaint.what}")
    one.demand(bool(re.fullmatch(r"[A-Za-z][\w-]*", made.name)), "form", "its name is no word")
    summary = made.summary
    one.demand(bool(summary.strip()) and "\n" not in summary, "form", "its summary is not one line")
    _parameters(one)
    checked = params if isinstance(params, BaseModel) else _filled(one, params or {})
    one.call("Params.model_dump_json", partial(checked.model_dump_json, by_alias=True))
    return Tried(one.kind, made, checked, _state(made, checked))


def _state(made: Any, params: BaseModel) -> str:
    return f"{getattr(made, '__dict__', {})!r} {params!r}"


def _parameters(one: Tried) -> None:
    model = one.made.Params
    one.demand(model.model_config.get("extra") == "forbid", "parameters", "unknown keys are taken")
    for name, info in model.model_fields.items():
        one.demand(bool(info.description), "parameters", f"'{name}' has no description with unit")
        if info.is_required():
            continue
        default = info.get_default(call_default_factory=True, validated_data={})
        try:
            _single(name, info).model_validate({name: default})
        except ValidationError as error:
            what = error.errors()[0]["msg"]
            one.broken("parameters", f"the default of '{name}' is refused: {what}")
    try:
        json.dumps(model.model_json_schema(), allow_nan=False)
    except Exception as error:
        one.broken("schema", f"{type(error).__name__}: {error}")


def _single(name: str, info: FieldInfo) -> type[BaseModel]:
    """A model of one field alone."""
    fields: dict[str, Any] = {name: (info.annotation, info)}
    return create_model("Single", __config__=_ANY, **fields)


def _filled(one: Tried, given: Mapping[str, Any]) -> Any:
    model = one.made.Params
    try:
        return model.model_validate(dict(given))
    except ValidationError as error:
        found = "; ".join(f"{dotted(path)}: {what}" for path, what in said(model, given, error))
        one.broken("parameters", f"those to try it with are refused: {found}")

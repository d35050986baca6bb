"""Records: what was done, as plain data that JSON can hold."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from gradeprep.model.record import Counts, Finding, PlateRecord, Reading, Reversible


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    "make",
    [
        lambda bad: Reading(meter="m", stops=bad, sigma=0.1),
        lambda bad: Reading(meter="m", stops=0.0, sigma=bad),
        lambda bad: Reading(meter="m", stops=0.0, sigma=0.1, balance=(0.0, bad, 0.0)),
        lambda bad: Reversible(exact=False, ulp=bad, why="x"),
    ],
    ids=["stops", "sigma", "balance", "ulp"],
)
def test_no_number_is_one_that_json_lacks(make, bad):
    assert make(0.25)
    with pytest.raises(ValidationError, match="finite"):
        make(bad)


def test_evidence_of_any_kind_becomes_plain_data():
    evidence = {"region": (1, 2), "odd": math.nan, "of": {"shot": "a"}}
    reading = Reading(meter="m", stops=-3.0, sigma=0.1, evidence=evidence)
    finding = Finding(severity="note", what="x", numbers=evidence)
    for told in (
        reading.model_dump(mode="json")["evidence"],
        finding.model_dump(mode="json")["numbers"],
    ):
        assert told == {"region": [1, 2], "odd": None, "of": {"shot": "a"}}


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (Counts, {"lost": 1}),
        (Finding, {"severity": "panic", "what": "x"}),
        (Reading, {"meter": "m", "stops": "dark", "sigma": 0.0}),
        (PlateRecord, {"pattern": "a"}),
    ],
)
def test_refuses_what_it_does_not_know(kind, data):
    with pytest.raises(ValidationError):
        kind.model_validate(data)


def test_is_frozen():
    with pytest.raises(ValidationError, match="frozen"):
        Counts().overflow = 1

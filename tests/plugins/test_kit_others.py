"""The kit finds a broken meter, check or hand-over, and says which clause it breaks."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from pydantic import BaseModel, Field

from gradeprep.errors import WriteError
from gradeprep.model.record import Finding, Reading
from gradeprep.plugins.contracts import Document, LeftOut
from gradeprep.plugins.testing import (
    CLAUSES,
    BrokenContract,
    check_check,
    check_handover,
    check_meter,
    hot_plate,
)


class Dice:
    """Another number at every throw."""

    thrown = 0

    @classmethod
    def throw(cls) -> float:
        cls.thrown += 1
        return float(cls.thrown)


def broken(check, plugin, clause: str, what: str, instead: dict, **options) -> None:
    with pytest.raises(BrokenContract) as caught:
        check(type("Broken", (plugin,), instead), **options)
    line = str(caught.value)
    assert caught.value.clause == clause, line
    assert what in line
    assert "\n" not in line
    assert CLAUSES[clause] in line


# Meters.


class Middle:
    """A meter that keeps its contract: the median of a plate to a tone."""

    name, summary = "middle", "brings the median to a light"

    class Params(BaseModel, extra="forbid"):
        to: float = Field(0.18, gt=0.0, description="Scene-linear light")
        frame: int | None = Field(None, description="Frame to read; all when left out")

    def read(self, plate, params):
        frames = plate.frames if params.frame is None else [params.frame]
        middle = np.median([np.median(plate.pixels(frame)) for frame in frames])
        if middle <= 0.0:
            raise ValueError("there is no light")
        return Reading(meter=self.name, stops=float(np.log2(params.to / middle)), sigma=0.1)


def fixed(**fields):
    told = {"meter": "middle", "stops": 0.0, "sigma": 0.0} | fields
    return lambda self, plate, params: Reading(**told)


def guessing(self, plate, params):
    return Reading(meter="middle", stops=Dice.throw(), sigma=0.0)


def in_the_dark(error):
    """Reads as it should, and raises this on a plate without light."""

    def read(self, plate, params):
        first = plate.frames.first if params.frame is None else params.frame
        if plate.pixels(first).max() <= 0.0:
            raise error
        return Middle().read(plate, params)

    return read


def writing(self, plate, params):
    plate.pixels(1001)[0] = 0.0
    return Middle().read(plate, params)


def remembering(self, plate, params):
    self.last = plate.shot
    return Middle().read(plate, params)


METERS = [
    ("form", "has no method 'read'", {"read": None}),
    ("call", "read raised ZeroDivisionError", {"read": lambda self, plate, p: 1 / 0}),
    ("purity", "writes into pixels", {"read": writing}),
    ("purity", "it keeps state", {"read": remembering}),
    (
        "purity",
        "reads something else next time",
        {"read": guessing},
    ),
    ("reading", "read gave float", {"read": lambda self, plate, p: 0.5}),
    ("reading", "signed by 'other'", {"read": fixed(meter="other")}),
    ("reading", "sigma -1.0", {"read": fixed(sigma=-1.0)}),
    ("reading", "no JSON", {"read": fixed(evidence={"levels": object()})}),
    ("call", "Reading", {"read": fixed(stops=float("nan"))}),
    ("follows", "+1 on the plate moves the reading by +0 stops", {"read": fixed()}),
    (
        "frame",
        "a stop less on the other frames moves the reading of frame 1001 by ",
        {"read": lambda self, plate, p: Middle().read(plate, p.model_copy(update={"frame": None}))},
    ),
    ("call", "read of a black plate raised LookupError", {"read": in_the_dark(LookupError("no"))}),
    ("call", "black plate refuses without a word", {"read": in_the_dark(ValueError())}),
]


@pytest.mark.parametrize(("clause", "what", "instead"), METERS)
def test_meters(clause, what, instead):
    broken(check_meter, Middle, clause, what, instead)


def test_a_whole_meter_passes():
    check_meter(Middle)
    check_meter(Middle, {"to": 0.5}, hot_plate(1.0))


def test_a_meter_of_notes_need_not_follow():
    noted = type("Noted", (Middle,), {"read": fixed(stops=-1.0)})
    check_meter(noted, follows=False)


# Checks.


class Bright:
    """A check that keeps its contract."""

    name, summary = "bright", "frames with too much light"

    class Params(BaseModel, extra="forbid"):
        most: float = Field(100.0, description="Most scene-linear light")

    def look(self, plate, params):
        for frame in plate.frames:
            top = float(plate.pixels(frame).max())
            if top > params.most:
                yield Finding(severity="warn", what=f"{top:g} is much", frame=frame)


def found(**fields):
    def look(self, plate, params):
        yield Finding(**{"severity": "note", "what": "there"} | fields)

    return look


def guessing_look(self, plate, params):
    return [Finding(severity="note", what="there", numbers={"n": Dice.throw()})]


def bright():
    plate = hot_plate()
    return replace(plate, pictures={n: picture * 100 for n, picture in plate.pictures.items()})


CHECKS = [
    ("call", "look raised ZeroDivisionError", {"look": lambda self, plate, p: 1 / 0}),
    ("call", "look raised TypeError", {"look": lambda self, plate, p: None}),
    ("findings", "look gave str", {"look": lambda self, plate, p: ["it is bright"]}),
    ("findings", "has no frame 7", {"look": found(frame=7)}),
    ("findings", "says nothing", {"look": found(what=" ")}),
    ("findings", "no JSON", {"look": found(numbers={"a": object()})}),
    (
        "purity",
        "finds something else next time",
        {"look": guessing_look},
    ),
    ("finds", "nothing was found", {"look": lambda self, plate, p: iter(())}),
]


@pytest.mark.parametrize(("clause", "what", "instead"), CHECKS)
def test_checks(clause, what, instead):
    broken(check_check, Bright, clause, what, instead, faulty=bright())


def test_a_whole_check_passes():
    check_check(Bright, faulty=bright())


# Hand-overs.


class List:
    """A hand-over that keeps its contract: a line a shot."""

    name, summary = "list", "a line a shot"

    class Params(BaseModel, extra="forbid"):
        mark: str = Field("-", description="What each line begins with")

    def make(self, shots, params, title):
        text = "".join(f"{params.mark} {one.record.shot}\n" for one in shots)
        return [self.document(f"{title}.txt", text, shots)]

    def document(self, name, text, shots, prove=None):
        def proved(path):
            if path.read_text(encoding="utf-8") != text:
                raise WriteError("reads back as something else", file=path)
            return "read back"

        names = tuple(one.record.shot for one in shots)
        return Document(name=name, text=text, shots=names, prove=prove or proved)


def making(*names, shots=slice(None), prove=None, text="text"):
    return lambda self, given, p, title: [
        self.document(name, text, given[shots], prove) for name in names
    ]


def scribbling(self, shots, params, title):
    shots[0].sidecar.write_text("{}", encoding="utf-8")
    return List().make(shots, params, title)


def picky(path):
    return "read back" if path.read_text(encoding="utf-8")[3] else ""


HANDOVERS = [
    ("call", "make raised ZeroDivisionError", {"make": lambda self, shots, p, title: 1 / 0}),
    ("documents", "make gave str", {"make": lambda self, shots, p, title: ["text"]}),
    ("documents", "no plain file name", {"make": making("../a.txt")}),
    ("documents", "no plain file name", {"make": making(".a.txt")}),
    ("documents", "two are called 'a.txt'", {"make": making("a.txt", "a.txt")}),
    ("documents", "holds no text", {"make": making("a.txt", text=b"bytes")}),
    ("documents", "quay_0110 is missing", {"make": making("a.txt", shots=slice(1))}),
    (
        "documents",
        "nobody knows why",
        {"make": lambda self, shots, p, title: [LeftOut(one.record.shot, "") for one in shots]},
    ),
    (
        "documents",
        "moon: no such shot",
        {"make": lambda self, shots, p, title: [*making("a.txt")(self, shots, p, title),
                                               LeftOut("moon", "far away")]},
    ),
    ("documents", "make wrote quay_0100.stops.json", {"make": scribbling}),
    (
        "purity",
        "other documents next time",
        {"make": lambda self, shots, p, title: [self.document("a", str(Dice.throw()), shots)]},
    ),
    ("proof", "says ''", {"make": making("a.txt", prove=lambda path: "")}),
    ("proof", "an empty file passes", {"make": making("a.txt", prove=lambda path: "fine")}),
    ("proof", "an empty file raises IndexError", {"make": making("a.txt", prove=picky)}),
]  # fmt: skip


@pytest.mark.parametrize(("clause", "what", "instead"), HANDOVERS)
def test_handovers(clause, what, instead):
    broken(check_handover, List, clause, what, instead)


def test_a_proof_that_half_a_file_passes_is_none():
    def nonempty(path):
        if not path.read_text(encoding="utf-8"):
            raise WriteError("empty", file=path)
        return "not empty"

    instead = {"make": making("a.txt", prove=nonempty)}
    broken(check_handover, List, "proof", "half of it passes", instead)


def test_a_whole_handover_passes():
    check_handover(List, {"mark": "*"})


def test_the_kit_does_without_pytest():
    code = "import sys, gradeprep.plugins.testing; sys.exit('pytest' in sys.modules)"
    assert subprocess.run((sys.executable, "-c", code), check=False).returncode == 0

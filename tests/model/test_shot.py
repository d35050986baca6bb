"""The shot document: plain JSON, frozen, no unknown key; and the hash of a decision."""

from __future__ import annotations

import json

import pytest
from pydantic import ValidationError

from gradeprep.model.order import ColourOrder, LookOrder, OutputOrder, StageOrder, digest_of
from gradeprep.model.record import Counts, FileMark, PlateRecord, Reversible
from gradeprep.model.shot import FrameEntry, FrameResult, Frames, ShotDocument, relocate


def entry(number: int) -> FrameEntry:
    stages = (
        StageOrder(stage="pull", numbers={"stops": -3.0}),
        StageOrder(stage="balance", numbers={"stops": (0.1, 0.0, -0.2)}),
    )
    return FrameEntry(
        number=number,
        source=f"a.{number}.exr",
        result=f"out/b.{number}.exr",
        stages=stages,
        stops=-3.0,
        kernels=("half-table",),
    )


MARK = FileMark(bytes=1, hash="xxh128:0")
DONE = FrameResult(source=MARK, result=MARK, counts=Counts())
PLATE = PlateRecord(pattern="a.#.exr", frames="1-2", format="exr", type="half", compression="zip")
SHOT = ShotDocument(
    tool="gradeprep",
    shot="a",
    digest="sha256:0",
    source=PLATE,
    result=PLATE.model_copy(update={"pattern": "out/b.#.exr"}),
    folder="out",
    colour=ColourOrder(
        config="show.ocio",
        sha256="0",
        working="w",
        source="s",
        result="s",
        files={"luts/film.clf": "1"},
        look=LookOrder(name="looks/warm.clf", space="w", sha256="2"),
    ),
    layers=("",),
    types=("half",),
    output=OutputOrder(format="exr", type="source", compression="zip"),
    reversible=Reversible(exact=True, ulp=0.0, why="whole stops"),
    frames=(entry(1), entry(2)),
)


def test_every_path_is_moved_and_nothing_else():
    found = relocate(SHOT, lambda path: f"/show/{path}").model_dump_json(by_alias=True)
    paths = ["a.#.exr", "out/b.#.exr", "show.ocio", "luts/film.clf", "looks/warm.clf"]
    paths += [f"a.{n}.exr" for n in (1, 2)] + [f"out/b.{n}.exr" for n in (1, 2)]
    text = SHOT.model_dump_json(by_alias=True)
    for path in paths:
        assert text.count(f'"{path}"') == 1
        text = text.replace(f'"{path}"', f'"/show/{path}"')
    assert found == text.replace('"folder":"out"', '"folder":"/show/out"')


def test_names_that_are_no_paths_stay():
    colour = SHOT.colour.model_copy(
        update={
            "config": "ocio://studio-config-latest",
            "files": {},
            "look": LookOrder(name="warm"),
        }
    )
    moved = relocate(SHOT.model_copy(update={"colour": colour}), lambda path: f"/show/{path}")
    assert moved.colour == colour


def test_an_entry_is_its_order_until_it_is_done():
    first = entry(1)
    with pytest.raises(ValueError, match="frame 1 is not done"):
        _ = first.finished
    done = first.with_result(DONE)
    assert done != first
    assert done.order == first.order == first
    assert done.finished == DONE


def test_a_worker_receives_its_frames_and_nothing_that_only_the_sidecar_says():
    shot = SHOT.model_copy(update={"carried": {"event": 7}})
    work = shot.work(shot.frames[1])
    assert [frame.number for frame in work.frames] == [2]
    assert work.carried == {}
    assert work.digest == shot.digest


def test_entries_are_made_when_they_are_asked_for():
    made = []

    def make(number: int, stops: float) -> FrameEntry:
        made.append(number)
        return entry(number).model_copy(update={"stops": stops})

    frames = Frames(make, (1, 2, 3), (-1.0, -2.0, -3.0))
    assert made == []
    assert len(frames) == 3
    assert frames[-1].stops == -3.0
    assert [one.number for one in frames[1:]] == [2, 3]
    assert made == [3, 2, 3]
    assert frames == tuple(frames)
    document = SHOT.only(frames)
    assert ShotDocument.model_validate_json(document.model_dump_json(by_alias=True)) == document


def test_a_document_goes_to_text_and_back():
    assert ShotDocument.model_validate_json(SHOT.model_dump_json(by_alias=True)) == SHOT
    assert ShotDocument.model_validate(json.loads(json.dumps(SHOT.model_dump(mode="json")))) == SHOT


def test_part_of_a_document_keeps_the_decision():
    part = SHOT.only(SHOT.frames[1:])
    assert [frame.number for frame in part.frames] == [2]
    assert part.model_copy(update={"frames": SHOT.frames}) == SHOT


@pytest.mark.parametrize(
    "wrong",
    [
        {"format": 1},
        {"surprise": 1},
        {"nonfinite": "drop"},
        {"frames": ({"number": 1},)},
        {"output": {"format": "exr", "type": "half"}},
    ],
)
def test_refuses_what_it_does_not_know(wrong):
    with pytest.raises(ValidationError):
        ShotDocument.model_validate(SHOT.model_dump() | wrong)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), (0.0, float("-inf"), 0.0)])
def test_no_number_is_one_that_json_lacks(value):
    with pytest.raises(ValidationError, match="finite"):
        StageOrder(stage="pull", numbers={"stops": value})


def test_is_frozen():
    with pytest.raises(ValidationError, match="frozen"):
        SHOT.shot = "b"


def test_the_digest_is_of_the_content_not_of_its_order():
    assert digest_of({"b": [1, 2.5], "a": "é"}) == digest_of({"a": "é", "b": (1, 2.5)})
    assert digest_of({"a": 1}) != digest_of({"a": 2})
    # FIPS 180-4: SHA-256 of the two characters {}
    assert digest_of({}) == (
        "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    )

"""The recipe over the wire: told, saved, undone, resolved; and reports."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from desked import CARD, RECIPE, Opened, opened_desk, small_film

from gradeprep.machine import processors
from gradeprep.plates import files
from gradeprep.review.desk import reading
from gradeprep.review.report import policy

METERED = RECIPE.replace(
    "- pull: {stops: -2.0}     # by eye",
    f"- pull: {{stops: {{meter: grey_card, region: {CARD}}}}}",
).replace(
    "  door:\n",
    "  door:\n    stages:\n"
    f"      - balance: {{stops: {{meter: grey_card, region: {CARD}}}}}\n"
    f"      - pull: {{stops: {{meter: reference, shot: wall, region: {CARD}}}}}\n",
)


def until(look: Callable[[], Any]) -> Any:
    """What a look finds, once it does."""
    for _ in range(1200):
        found = look()
        if found:
            return found
        time.sleep(0.05)
    pytest.fail("nothing came")


def shot(desk: Opened, name: str) -> dict[str, Any]:
    return next(one for one in desk.recipe()["shots"] if one["name"] == name)


def test_the_recipe_as_it_is_told(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        told = desk.recipe()
    assert (told["recipe"], told["changed"], told["undo"]) == ("wall.yaml", False, 0)
    assert told["working"] == "ACEScg"
    assert sum(told["luminance"]) == pytest.approx(1.0)
    assert told["look"]["view"] in next(
        look["views"] for look in told["looks"] if look["display"] == told["look"]["display"]
    )
    wall, door = told["shots"]
    assert (wall["space"], wall["frames"], wall["numbers"]) == ("ACEScg", "1-3", [1, 2, 3])
    assert (wall["size"], wall["reference"], wall["error"]) == ([80, 60], None, "")
    assert wall["stages"] == {
        "lift": {"stops": 0.5, "below": -3.0, "softness": 3.0},
        "balance": None,
        "pull": {"stops": -2.0, "resolved": None},
        "other": [],
        "order": ["lift", "pull"],
    }
    assert door["stages"] == wall["stages"]


def test_saves_and_undo_over_the_wire(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    before = path.read_text("utf-8")
    with opened_desk(path) as desk:
        first = desk.recipe()["revision"]
        changes = {
            "wall": {"pull": -2.25, "lift": None},
            "door": {"balance": {"stops": [0.25, 0.0, -0.25]}},
        }
        answer = desk.post("/api/save", revision=first, shots=changes)
        assert answer.status_code == 200, answer.text
        told = answer.json()
        assert told["undo"] == 1
        assert told["revision"] != first
        assert told["shots"][0]["stages"]["pull"]["stops"] == -2.25
        assert told["shots"][0]["stages"]["lift"] is None
        assert told["shots"][1]["stages"]["order"] == ["lift", "balance", "pull"]
        assert "# by eye" in path.read_text("utf-8")
        assert desk.post("/api/undo", revision=first).status_code == 409
        undone = desk.post("/api/undo", revision=told["revision"]).json()
        assert (undone["revision"], undone["undo"]) == (first, 0)
        assert path.read_text("utf-8") == before
        assert desk.post("/api/undo", revision=first).status_code == 422


def test_two_desks_on_one_recipe(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    with opened_desk(path) as first, opened_desk(path) as second:
        revision = first.recipe()["revision"]
        told = {"revision": revision, "shots": {"wall": {"pull": -1.0}}}
        assert first.post("/api/save", **told).status_code == 200
        saved = path.read_bytes()
        assert second.recipe()["changed"]
        answer = second.post("/api/save", **told)
        assert answer.status_code == 409
        assert "was changed on disk after it was loaded here" in answer.json()["error"]
        assert path.read_bytes() == saved
        assert not second.post("/api/reload").json()["changed"]
        assert second.recipe()["shots"][0]["stages"]["pull"]["stops"] == -1.0


@pytest.mark.parametrize(
    ("told", "status", "line"),
    [
        ({"nobody": {"pull": -1}}, 404, "no shot 'nobody'"),
        ({"wall": {"pull": "much"}}, 422, "'much' is not a number of stops"),
        ({"wall": {"pull": None}}, 422, "is not a number of stops"),
        ({"wall": {"pull": 99}}, 422, "beyond +-40"),
        ({"wall": {"pull": [[1, -1], [1, -2]]}}, 422, "each frame once"),
        ({"wall": {"pull": [["1", -1]]}}, 422, "keys are [frame, stops]"),
        ({"wall": {"pull": []}}, 422, "at least one key"),
        ({"wall": {"pull": {"meter": "notes", "file": "/etc/passwd"}}}, 422, "give numbers"),
        ({"wall": {"lift": {"stops": 3, "below": -3, "softness": 1}}}, 422, "too steep"),
        ({"wall": {"lift": {"stops": 1, "more": 1}}}, 422, "more"),
        ({"wall": {"lift": [1]}}, 422, "no parameters"),
        ({"wall": {"balance": {"stops": {"meter": "grey_card"}}}}, 422, "give numbers"),
        ({"wall": {"balance": [1, 2]}}, 422, "three numbers"),
        ({"wall": {"plate": "/etc/passwd"}}, 422, "'plate' cannot be changed here"),
        ({"wall": 3}, 422, "must be an object"),
    ],
)
def test_what_cannot_be_saved_is_told_and_nothing_is_written(
    tmp_path: Path, told: dict[str, Any], status: int, line: str
) -> None:
    path = small_film(tmp_path, frames=1)
    before = path.read_bytes()
    with opened_desk(path) as desk:
        answer = desk.post("/api/save", revision=desk.recipe()["revision"], shots=told)
    assert answer.status_code == status
    assert line in answer.json()["error"]
    assert path.read_bytes() == before


def test_meters_are_read_while_the_page_is_open(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path, recipe=METERED)) as desk:
        wall = until(lambda: shot(desk, "wall")["stages"]["pull"]["resolved"])
        assert wall[0][1] == pytest.approx(-2.0, abs=1e-3)
        door = until(lambda: shot(desk, "door")["stages"]["pull"]["resolved"])
        assert door[0][1] == pytest.approx(-2.0, abs=0.02)
        told = shot(desk, "door")
        assert told["reference"] == "wall"
        assert told["stages"]["balance"]["meter"]["meter"] == "grey_card"
        assert told["stages"]["balance"]["stops"] == pytest.approx([0.0, 0.0, 0.0], abs=0.02)
        assert told["stages"]["pull"]["stops"]["meter"] == "reference"
        revision = desk.recipe()["revision"]
        desk.post("/api/save", revision=revision, shots={"wall": {"pull": -3.0}})
        again = until(lambda: shot(desk, "door")["stages"]["pull"]["resolved"])
        assert again[0][1] == pytest.approx(-3.0, abs=0.02)


def test_a_meter_that_gives_nothing_is_told_with_its_shot(tmp_path: Path) -> None:
    recipe = METERED.replace(str(CARD), "[0, 0, 4000, 4000]", 1)
    with opened_desk(small_film(tmp_path, recipe=recipe)) as desk:
        line = until(lambda: shot(desk, "wall")["error"])
        assert "reaches out of the picture" in line
        assert desk.get("/api/light", shot="wall", frame=1, side=64).status_code == 200


def test_a_reload_that_fails_leaves_what_was_loaded(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    good = path.read_text("utf-8")
    with opened_desk(path) as desk:
        for bad in ("shots: [", good + "colour: {working: ACEScct}\n"):
            path.write_text(bad, "utf-8")
            assert desk.post("/api/reload").status_code == 422
            told = desk.recipe()
            assert told["changed"]
            assert told["shots"][0]["numbers"] == [1, 2, 3]
        path.write_text(good, "utf-8")
        assert not desk.recipe()["changed"]


def test_a_decode_that_hangs_does_not_hang_the_desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go = threading.Event()
    real = files.read

    def stuck(path: Path) -> Any:
        go.wait()
        return real(path)

    with opened_desk(small_film(tmp_path)) as desk, ThreadPoolExecutor(1) as pool:
        monkeypatch.setattr(files, "read", stuck)
        waiting = pool.submit(desk.get, "/api/light", shot="wall", frame=1, side=64)
        try:
            revision = desk.recipe()["revision"]
            saved = desk.post("/api/save", revision=revision, shots={"wall": {"pull": -1.0}})
            assert saved.status_code == 200
            assert not waiting.done()
        finally:
            go.set()
        assert waiting.result().status_code == 200


def test_pictures_do_not_wait_for_readings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    go = threading.Event()

    def stuck(*_: Any, **__: Any) -> dict[str, Any]:
        go.wait()
        return {}

    monkeypatch.setattr(reading, "read", stuck)
    many = processors() + 2
    with opened_desk(small_film(tmp_path)) as desk, ThreadPoolExecutor(many) as pool:
        asked = {"shot": "wall", "meter": "grey_card", "params": {"region": CARD}}
        waiting = [pool.submit(desk.post, "/api/reading", **asked) for _ in range(many)]
        try:
            light = desk.client.get("/api/light?shot=wall&frame=1&side=64", timeout=20.0)
            assert light.status_code == 200
            assert not any(one.done() for one in waiting)
        finally:
            go.set()
        assert {one.result().status_code for one in waiting} == {200}


def test_a_report_of_a_shot_that_was_not_run(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path, frames=1)) as desk:
        answer = desk.get("/api/report", shot="wall")
    assert answer.status_code == 404
    assert answer.headers["Content-Type"].startswith("text/plain")
    assert "the shot was not run" in answer.text


def test_the_report_of_a_shot_is_the_one_of_the_command(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path, frames=1)) as desk:
        desk.desk.run("wall")
        desk.desk.work.join()
        answer = desk.get("/api/report", shot="wall")
    assert answer.status_code == 200
    assert "<h1>Exposure report</h1>" in answer.text
    assert "wall" in answer.text
    assert "door" not in answer.text
    given = answer.headers["Content-Security-Policy"]
    assert given == f"{policy()}; frame-ancestors 'none'"
    assert "unsafe" not in given

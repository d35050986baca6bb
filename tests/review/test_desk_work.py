"""A shot run from the page: to its end, as the command runs it; stopped; and what goes wrong."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from desked import Opened, opened_desk, small_film
from support import run

from gradeprep import sidecar
from gradeprep.pipeline.planned import Plan
from gradeprep.review.desk import work as module
from gradeprep.runners.job import Job

ENDED = ("done", "failed", "stopped")


def events(desk: Opened, until: tuple[str, ...] = ENDED) -> list[dict[str, object]]:
    """What the page is told, up to one of some states."""
    found = []
    with desk.client.stream("GET", "/api/progress") as answer:
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        for line in answer.iter_lines():
            if line.startswith("data: "):
                found.append(json.loads(line.removeprefix("data: ")))
                if found[-1]["state"] in until:
                    return found
    return found


def test_a_run_is_what_the_command_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, theirs = tmp_path / "mine", tmp_path / "theirs"
    with opened_desk(small_film(mine)) as desk:
        assert events(desk, ("idle",))[0]["state"] == "idle"
        for shot in ("wall", "door"):
            assert desk.post("/api/run", shot=shot).json() == {}
            last = events(desk)[-1]
            assert (last["state"], last["shot"], last["done"], last["total"]) == (
                "done",
                shot,
                3,
                3,
            ), last
    assert run(capsys, "run", small_film(theirs), "--quiet").code == 0
    results = sorted(
        path.relative_to(theirs) for path in (theirs / "normal").rglob("*.[ed][xp][rx]")
    )
    assert len(results) == 6
    for name in results:
        assert (mine / name).read_bytes() == (theirs / name).read_bytes()
    for path in (theirs / "normal").rglob("*.stops.json"):
        told = [
            sidecar.dump(sidecar.load_filed(folder / path.relative_to(theirs)))
            for folder in (mine, theirs)
        ]
        for one in told:
            one.pop("dated")
        assert told[0] == told[1]


def test_what_was_saved_is_what_runs(tmp_path: Path) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        revision = desk.recipe()["revision"]
        desk.post("/api/save", revision=revision, shots={"wall": {"pull": [[1, -2.0], [3, -1.0]]}})
        desk.post("/api/run", shot="wall")
        assert events(desk)[-1]["state"] == "done"
        desk.post("/api/run", shot="wall")
        again = events(desk)[-1]
    record = sidecar.load(tmp_path / "normal/wall/wall.stops.json")
    assert [frame.stops for frame in record.frames] == [-2.0, -1.5, -1.0]
    assert "3 of them kept" in str(again["line"])


def test_a_plate_that_cannot_be_run_fails_in_words(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    torn = tmp_path / "hot/wall/wall.0002.exr"
    torn.write_bytes(torn.read_bytes()[:-400])
    with opened_desk(path) as desk:
        desk.post("/api/run", shot="wall")
        last = events(desk)[-1]
        assert last["state"] == "failed"
        assert "wall.0002.exr" in str(last["error"])
        assert desk.post("/api/run", shot="door").status_code == 200
        assert events(desk)[-1]["state"] == "done"
    assert not (tmp_path / "normal/wall").exists()


def test_a_recipe_that_changed_on_disk_is_not_run(tmp_path: Path) -> None:
    path = small_film(tmp_path)
    with opened_desk(path) as desk:
        path.write_text(path.read_text("utf-8") + "# changed\n", "utf-8")
        answer = desk.post("/api/run", shot="wall")
        assert answer.status_code == 409
        assert "reload it here" in answer.json()["remedy"]
        assert desk.recipe()["changed"]
        assert not desk.post("/api/reload").json()["changed"]
        assert desk.post("/api/run", shot="wall").status_code == 200
        assert events(desk)[-1]["state"] == "done"


Runner = Callable[..., Job]


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Runs wait before their first frame until this is set, or until they are stopped."""
    go = threading.Event()
    real = module.run_plan

    def waiting(plan: Plan, *, stop: threading.Event, **more: object) -> Job:
        while not (go.is_set() or stop.is_set()):
            time.sleep(0.01)
        return real(plan, stop=stop, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "run_plan", waiting)
    return go


def test_one_run_at_a_time(tmp_path: Path, slow: threading.Event) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        assert desk.post("/api/run", shot="wall").status_code == 200
        answer = desk.post("/api/run", shot="door")
        assert answer.status_code == 409
        assert "wall: is being run already" in answer.json()["error"]
        slow.set()
        assert events(desk)[-1]["state"] == "done"


def test_a_run_that_is_stopped_says_so(tmp_path: Path, slow: threading.Event) -> None:
    with opened_desk(small_film(tmp_path)) as desk:
        desk.post("/api/run", shot="wall")
        assert desk.post("/api/stop").status_code == 200
        last = events(desk)[-1]
        assert last["state"] == "stopped"
        slow.set()
        desk.post("/api/run", shot="wall")
        assert events(desk)[-1]["state"] == "done"


def test_a_fault_of_ours_is_told_and_the_desk_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("so it is")

    with opened_desk(small_film(tmp_path)) as desk:
        with monkeypatch.context() as patch:
            patch.setattr(module, "make_plan", broken)
            desk.post("/api/run", shot="wall")
            last = events(desk)[-1]
        assert last["state"] == "failed"
        assert "internal error: ZeroDivisionError: so it is" in str(last["error"])
        assert desk.recipe()["shots"]

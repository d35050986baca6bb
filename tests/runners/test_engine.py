"""The job over any engine: when it lives, what it is asked, and what its outcomes become."""

from __future__ import annotations

import json
import threading

import pytest
from fakeengine import FakeEngine
from refusal import RECIPE, exr_plate, write_recipe
from support import snapshot

from gradeprep.errors import RequestError
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners import lock
from gradeprep.runners.job import run_plan
from gradeprep.runners.outcome import Failed

TWO = RECIPE + "  wharf: {plate: other, output: {plate: 'far/wharf.####.exr'}}\n"


@pytest.fixture
def plan(tmp_path):
    for folder in ("plate", "other"):
        exr_plate(tmp_path / folder, 3)
    return make_plan(read_recipe(write_recipe(tmp_path, TWO)), tmp_path, Options())


def test_lives_inside_the_claims_and_runs_shot_after_shot(plan, tmp_path):
    locks = [lock.path_for(tmp_path / "out" / "quay", "quay")]
    locks.append(lock.path_for(tmp_path / "far", "wharf"))
    held = []
    engine = FakeEngine(watch=lambda step: held.append(all(path.exists() for path in locks)))
    job = run_plan(plan, engine=engine)
    assert job.clean
    assert engine.steps == ["enter", "ready", "run quay", "run wharf", "exit"]
    assert all(held)
    assert not any(path.exists() for path in locks)


def test_outcomes_in_any_order_stand_in_order(plan):
    bad = Failed(1002, "quay frame 1002: torn")
    engine = FakeEngine(lambda task, order: bad if order.number == 1002 else None)
    told = []
    job = run_plan(plan, engine=engine, report=told.append)
    for shot in job.shots.values():
        assert [frame.number for frame in shot.record.frames] == [1001, 1003]
        assert shot.failed == (bad,)
    assert [(p.number, p.done, p.error) for p in told[:3]] == [
        (1003, 1, ""),
        (1002, 2, bad.error),
        (1001, 3, ""),
    ]


def test_refusal_leaves_nothing(plan, tmp_path):
    before = snapshot(tmp_path)
    engine = FakeEngine(refusal=RequestError("no worker is like this machine"))
    with pytest.raises(RequestError, match="no worker"):
        run_plan(plan, engine=engine)
    assert engine.steps == ["enter", "ready", "exit"]
    assert snapshot(tmp_path) == before


def test_stopped_run_keeps_what_was_done_in_the_journal(plan, tmp_path):
    stop = threading.Event()
    engine = FakeEngine()
    with pytest.raises(KeyboardInterrupt):
        run_plan(plan, engine=engine, report=lambda progress: stop.set(), stop=stop)
    (line,) = (tmp_path / "out" / "quay" / ".quay.stops.journal").read_text().splitlines()
    assert json.loads(line)["frame"]["number"] == 1003
    assert engine.steps[-1] == "exit"


def test_nothing_to_run_begins_no_engine(tmp_path):
    (tmp_path / "plate").mkdir()
    (tmp_path / "plate" / "quay.1001.exr").write_bytes(b"torn")
    plan = make_plan(read_recipe(write_recipe(tmp_path)), tmp_path, Options())
    engine = FakeEngine()
    assert not run_plan(plan, engine=engine).clean
    assert engine.steps == []

"""What a worker looks at before it begins, and that it begins nothing that is not its parent's."""

from __future__ import annotations

import json
from contextlib import ExitStack
from types import SimpleNamespace

import pytest
from refusal import exr_plate, write_recipe
from support import snapshot

from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.runners import local, lock, remote, wire
from gradeprep.runners.claim import claimed


@pytest.fixture
def shot(tmp_path, monkeypatch):
    """A shot whose claim is held; this process is the worker."""
    monkeypatch.setattr(remote, "get_worker", lambda: SimpleNamespace(address="tcp://here:1"))
    monkeypatch.setattr(remote, "PATIENCE", 0.0)
    monkeypatch.setattr(remote, "_halted", set())
    monkeypatch.setattr(remote, "_looked", {})
    exr_plate(tmp_path / "plate", 40)
    plan = make_plan(read_recipe(write_recipe(tmp_path)), tmp_path, Options())
    with ExitStack() as life:
        life.enter_context(claimed(plan.shots["quay"].document))
        yield plan.shots["quay"].document


def look_for(shot, run):
    return wire.look_for(wire.travelling(shot), run)


def answer(look, shot):
    chunk = wire.Chunk(look=look, document=wire.travelling(shot))
    return wire.Answer.model_validate_json(remote.work(chunk.model_dump_json()))


def test_all_is_as_it_was(shot):
    look = look_for(shot, "run")
    assert list(remote.differences(look)) == []
    assert 32 <= len(look.sources) <= 42


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"versions": {"numpy": "0.1"}}, "has numpy "),
        ({"versions": {"stage pull": "gradeprep 0.0"}}, "has stage pull gradeprep "),
        ({"versions": {"stage glow": "glow 1.0"}}, "has stage glow absent (planned with glow 1.0)"),
        ({"signed": "somebody else's"}, "what was just written there; it must be the same folder"),
        ({"claim": "/gone/.quay.stops.lock"}, "does not see in /gone what was just written"),
        ({"sources": {"/gone/quay.1001.exr": 1}}, "does not see /gone/quay.1001.exr: No such file"),
    ],
)
def test_what_differs_is_named_and_no_frame_is_begun(change, says, shot, tmp_path):
    look = look_for(shot, "run").model_copy(update=change)
    before = snapshot(tmp_path)
    (line,) = remote.differences(look)
    assert says in line
    told = answer(look, shot)
    assert told.refused == (line,)
    assert not told.done
    assert snapshot(tmp_path) == before


def test_a_source_of_another_size_is_another_source(shot):
    look = look_for(shot, "run")
    sizes = {name: size + 1 for name, size in look.sources.items()}
    (line,) = remote.differences(look.model_copy(update={"sources": sizes}))
    assert line.startswith("sees ")
    assert line.endswith(f" bytes, and the run was started on {next(iter(sizes.values()))}")


def test_another_config_is_no_place_to_work(shot):
    look = look_for(shot, "run")
    colour = look.colour.model_copy(update={"sha256": "0"})
    (line,) = remote.differences(look.model_copy(update={"colour": colour}))
    assert "the OpenColorIO config is not the one that the task was planned with" in line


def test_a_folder_that_cannot_be_written(shot, monkeypatch):
    def refuse(dir):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(remote.tempfile, "TemporaryFile", refuse)
    (line,) = remote.differences(look_for(shot, "run"))
    assert line.endswith("out/quay: Read-only file system")


def test_a_worker_looks_once_a_run_and_shot(shot, monkeypatch):
    looks = []
    monkeypatch.setattr(remote, "differences", lambda asked: looks.append(asked.run) or ())
    for run in ("one", "one", "two"):
        answer(look_for(shot, run), shot.only(shot.frames[:1]))
    assert looks == ["one", "two"]


def test_halted_begins_no_other_frame(shot, monkeypatch):
    real = local.do_one

    def halting(work, document):
        remote.halt("run")
        return real(work, document)

    monkeypatch.setattr(local, "do_one", halting)
    told = answer(look_for(shot, "run"), shot.only(shot.frames[:4]))
    assert [record.number for record in told.done] == [1001]
    assert told.left == (1002, 1003, 1004)


def test_without_its_parents_claim_no_frame_begins(shot, tmp_path, monkeypatch):
    """Its parent was killed, and another run has taken the shot over."""
    look = look_for(shot, "run")
    assert answer(look, shot.only(shot.frames[:1])).done
    path = lock.path_for(tmp_path / "out" / "quay", "quay")
    path.write_text(json.dumps({"host": "elsewhere", "pid": 1, "since": "now"}))
    told = answer(look, shot.only(shot.frames[1:3]))
    assert told.left == (1002, 1003)
    assert not told.done


def test_paths_come_back_as_they_were_ordered(tmp_path, monkeypatch):
    exr_plate(tmp_path / "plate", 1)
    write_recipe(tmp_path)
    monkeypatch.chdir(tmp_path)
    from pathlib import Path

    plan = make_plan(read_recipe(Path("recipe.yaml")), Path(), Options())
    shot = plan.shots["quay"].document
    (order,) = shot.frames
    assert not Path(order.source).is_absolute()
    (far,) = wire.travelling(shot).frames
    assert Path(far.source) == tmp_path / order.source
    failed = wire.Failed(order.number, f"quay: {far.source}: torn, not {far.result}")
    told = wire.as_ordered(failed, order)
    assert told.error == f"quay: {order.source}: torn, not {order.result}"

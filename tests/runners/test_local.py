"""Frames in parallel: outcomes, failures and dead workers, without a picture in sight."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import closing

import pytest
import workers

from gradeprep.runners import local
from gradeprep.runners.outcome import Failed


def outcomes(task, work, jobs):
    """Outcomes by frame number; failures too."""
    found = list(local.run(task, work, jobs=jobs))
    return {out.number if isinstance(out, Failed) else out: out for out in found}


def test_one_job_works_here_in_order(tmp_path):
    found = list(local.run(workers.document(tmp_path, 4), workers.facts, jobs=1))
    assert [number for number, *_ in found] == [1, 2, 3, 4]
    assert {process for _, process, *_ in found} == {os.getpid()}


def test_so_few_frames_are_not_worth_a_worker(tmp_path):
    found = list(local.run(workers.document(tmp_path, local.FEW), workers.facts, jobs=8))
    assert {process for _, process, *_ in found} == {os.getpid()}


def test_workers_are_spawned_and_leave_ctrl_c_to_the_parent(tmp_path, monkeypatch):
    monkeypatch.setitem(workers.MARK, "here", "changed in the parent")
    found = list(local.run(workers.document(tmp_path, 6), workers.facts, jobs=2))
    assert sorted(number for number, *_ in found) == [1, 2, 3, 4, 5, 6]
    assert os.getpid() not in {process for _, process, *_ in found}
    assert all(ignores for *_, ignores, _ in found)
    assert {mark for *_, mark in found} == {"imported"}


def test_what_workers_said_is_there_when_they_have_left(tmp_path, capfd):
    assert set(outcomes(workers.document(tmp_path, 6), workers.said, 2)) == set(range(1, 7))
    assert sorted(capfd.readouterr().out.splitlines()) == [f"frame {n}" for n in range(1, 7)]


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
def test_workers_hear_no_signal_even_while_they_start(tmp_path):
    """A Ctrl-C goes to all processes of a terminal: one that is still importing would say so."""
    for found in local.run(workers.document(tmp_path, 6), workers.deaf_to, jobs=2):
        assert {signal.SIGINT, signal.SIGTERM} <= found
    assert not {signal.SIGINT, signal.SIGTERM} & signal.pthread_sigmask(signal.SIG_BLOCK, ())


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_frame_that_fails_stops_no_other(jobs, tmp_path):
    found = outcomes(workers.document(tmp_path, 6), workers.bad_at_three, jobs)
    assert sorted(found) == [1, 2, 3, 4, 5, 6]
    torn, fault = found[3], found[4]
    assert isinstance(torn, Failed)
    assert torn.error == "quay frame 3: quay.3.exr: is torn; copy the frame again"
    assert isinstance(fault, Failed)
    assert fault.error.startswith("quay frame 4: quay.4.exr: internal error: ZeroDivisionError")
    assert "bad_at_three" in torn.trace
    assert "bad_at_three" in fault.trace
    assert all(found[n] == n for n in (1, 2, 5, 6))


def test_a_worker_that_dies_costs_its_own_frame_only(tmp_path):
    found = outcomes(workers.document(tmp_path, 8), workers.dies_at_three, 2)
    assert sorted(found) == list(range(1, 9))
    dead = found.pop(3)
    assert isinstance(dead, Failed)
    assert dead.error.startswith("quay frame 3: quay.3.exr: the worker died twice over it")
    assert all(out == n for n, out in found.items())
    assert {path.name for path in tmp_path.iterdir()} == {str(n) for n in found}


def test_a_frame_whose_worker_died_by_chance_is_done_after_all(tmp_path):
    found = outcomes(workers.document(tmp_path, 5), workers.dies_once_at_three, 2)
    assert found == {n: n for n in range(1, 6)}


@pytest.mark.parametrize("jobs", [1, 2])
def test_closing_early_begins_no_other_frame(jobs, tmp_path):
    with closing(local.run(workers.document(tmp_path, 60), workers.marked, jobs=jobs)) as work:
        first = next(work)
    assert isinstance(first, int)
    begun = len(list(tmp_path.iterdir()))
    assert 1 <= begun < 60
    assert len(list(tmp_path.iterdir())) == begun

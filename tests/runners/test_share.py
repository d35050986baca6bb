"""Shares: many chunks of one order at a shot, nobody else, and nobody forgotten."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import threading
from contextlib import contextmanager
from dataclasses import asdict

import pytest

from gradeprep.errors import OutputRefusedError
from gradeprep.runners import lock, share

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks as POSIX has them")

HERE = platform.node()


def signs(folder):
    return sorted(folder.glob(".*.share"))


def leave(folder, *, host=HERE, pid=999_999_999, order="o"):
    """What a chunk that was killed leaves."""
    told = share.Share(host, pid, "2020-01-02T03:04:05+00:00", order, "1-4")
    path = folder / f".quay.stops.{'0' * 16}.share"
    path.write_text(json.dumps(asdict(told)), encoding="utf-8")
    return path


def test_chunks_of_one_order_run_side_by_side(tmp_path):
    with (
        share.joined(tmp_path, "quay", order="o", frames="1-4"),
        share.joined(tmp_path, "quay", order="o", frames="5-8"),
    ):
        told = [json.loads(path.read_text(encoding="utf-8")) for path in signs(tmp_path)]
        assert {one["frames"] for one in told} == {"1-4", "5-8"}
        assert {one["pid"] for one in told} == {os.getpid()}
    assert not signs(tmp_path)


def test_chunks_of_another_order_are_refused(tmp_path):
    with share.joined(tmp_path, "quay", order="o", frames="1-4"):
        with pytest.raises(OutputRefusedError) as caught:
            share.joined(tmp_path, "quay", order="p", frames="1-4").__enter__()
        assert f"frames 1-4 are being made by process {os.getpid()} on {HERE}" in str(caught.value)
        assert len(signs(tmp_path)) == 1
        with share.joined(tmp_path, "quay_2", order="p", frames="1-4"):
            pass


def test_whoever_holds_the_shot_for_himself_keeps_chunks_out(tmp_path):
    with lock.held(tmp_path, "quay"):
        with pytest.raises(OutputRefusedError, match="held by process"):
            share.joined(tmp_path, "quay", order="o", frames="1").__enter__()
        assert not signs(tmp_path)
    with share.joined(tmp_path, "quay", order="o", frames="1"):
        pass


def test_it_goes_when_the_work_fails(tmp_path):
    with pytest.raises(KeyboardInterrupt), share.joined(tmp_path, "quay", order="o", frames="1"):
        raise KeyboardInterrupt
    assert not signs(tmp_path)


def test_what_a_killed_chunk_of_this_machine_left_is_removed(tmp_path):
    path = leave(tmp_path)
    share.refuse_others(tmp_path, "quay")
    assert not path.exists()


def test_a_process_that_is_killed_is_known_to_be_gone(tmp_path):
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom gradeprep.runners import share\n"
        "with share.joined(Path(sys.argv[1]), 'quay', order='o', frames='1-4'):\n"
        "    print('here', flush=True)\n    time.sleep(60)\n"
    )
    chunk = subprocess.Popen(
        (sys.executable, "-c", code, str(tmp_path)), stdout=subprocess.PIPE, text=True
    )
    assert chunk.stdout is not None
    with chunk.stdout:
        assert chunk.stdout.readline() == "here\n"
        with pytest.raises(OutputRefusedError, match=f"made by process {chunk.pid} on"):
            share.refuse_others(tmp_path, "quay")
        chunk.kill()
        chunk.wait()
    share.refuse_others(tmp_path, "quay")
    assert not signs(tmp_path)


def test_nobody_here_knows_of_another_machine(tmp_path):
    path = leave(tmp_path, host="elsewhere")
    with pytest.raises(OutputRefusedError, match="if it died, remove this file"):
        share.refuse_others(tmp_path, "quay")
    share.refuse_others(tmp_path, "quay", order="o")
    share.sweep(tmp_path, "quay", order="another")
    assert path.exists()
    share.sweep(tmp_path, "quay", order="o")
    assert not path.exists()


def test_sealing_leaves_the_living_of_this_machine_alone(tmp_path):
    with share.joined(tmp_path, "quay", order="o", frames="1-4"):
        share.sweep(tmp_path, "quay", order="o")
        assert len(signs(tmp_path)) == 1


def test_a_garbled_sign_of_nobody_is_removed(tmp_path):
    path = leave(tmp_path)
    path.write_text("{", encoding="utf-8")
    share.refuse_others(tmp_path, "quay")
    assert not path.exists()


@contextmanager
def whole(folder):
    """A run that wants the shot for itself."""
    with lock.held(folder, "quay"):
        share.refuse_others(folder, "quay")
        yield


@contextmanager
def some(folder):
    """A chunk."""
    with share.joined(folder, "quay", order="o", frames="1"):
        yield


def test_of_two_that_begin_in_one_moment_never_both_go_on(tmp_path):
    inside, both, refusals = set(), [], []

    def work(way, gate):
        gate.wait()
        try:
            with way(tmp_path):
                inside.add(way)
                both.extend(inside if len(inside) > 1 else ())
                inside.discard(way)
        except OutputRefusedError as error:
            refusals.append(str(error))

    for _ in range(60):
        gate = threading.Barrier(2)
        threads = [threading.Thread(target=work, args=(way, gate)) for way in (whole, some)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert both == []
    assert all("held by" in told or "are being made by" in told for told in refusals)
    assert not list(tmp_path.iterdir())

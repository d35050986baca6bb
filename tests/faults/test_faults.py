"""A small part of the fault suite in every test run, and that the suite sees what goes wrong."""

from __future__ import annotations

import random
import signal
import sys

import pytest

if sys.platform == "win32":
    pytest.skip("signals and limits as POSIX has them", allow_module_level=True)

from faults import bounded, disks, fuzz, kills, torn
from faults.hostile import hostile
from faults.mutate import mutated
from faults.tally import Tally, table


def clean(tallies):
    """All that was tried was survived; something was."""
    found = list(tallies)
    assert [note for one in found for note in one.notes if "not tried" not in note] == []
    assert all(one.survived == one.tried for one in found)
    assert any(one.tried for one in found)


def test_kills(tmp_path):
    clean(kills.kills(tmp_path, count=3, frames=12, seed=7))


def test_disks(tmp_path):
    clean(disks.disks(tmp_path, count=24, seed=7))


def test_torn(tmp_path):
    clean(torn.torn(tmp_path, count=25, seed=7))


def test_inputs(tmp_path):
    clean(fuzz.plain(tmp_path, count=300, seed=7))


# The suite sees what goes wrong.


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("other pixels", "not whole or not right: quay.1001.exr"),
        ("cut", "not whole or not right: quay.1002.exr"),
        ("source", "a source changed"),
    ],
)
def test_it_sees_wrong_frames_and_changed_sources(fault, says, tmp_path):
    run = kills.Undisturbed(tmp_path, "exr", 1, 3)
    if fault == "source":
        path = run.film.plate / "quay.1001.exr"
    else:
        path = run.film.out / f"quay.{1001 if fault == 'other pixels' else 1002}.exr"
    raw = bytearray(path.read_bytes())
    raw[-1] ^= 1
    path.write_bytes(raw[:-1] if fault == "cut" else raw)
    tally = Tally("frames")
    assert list(run._whole(tally)) == [says]
    assert (tally.sources, tally.wrong) == ((1, 0) if fault == "source" else (0, 1))


@pytest.mark.parametrize(
    ("how", "kind", "what"),
    [
        ("hang", "hang", "SIGALRM"),
        ("crash", "crash", "SIGSEGV"),
        ("memory", "error", "MemoryError: "),
        ("raise", "error", "KeyError: 'width'"),
    ],
)
def test_it_sees_readers_that_misbehave(how, kind, what, tmp_path):
    found = list(bounded.read_all(hostile(how), [b"abc"], count=2, seed=0, folder=tmp_path))
    assert [(one.index, one.kind, one.what) for one in found] == [(0, kind, what), (1, kind, what)]
    assert {path.name for path in tmp_path.glob(f"{how}-*")} == {f"{how}-0.bin", f"{how}-1.bin"}


def test_inputs_are_drawn_from_the_seed():
    good = [bytes(range(256)) * 4, b"text: [1, 2]\n"]
    drawn = [
        [mutated(good, random.Random(f"{seed} {n}")) for n in range(200)] for seed in (1, 1, 2)
    ]
    assert drawn[0] == drawn[1] != drawn[2]
    assert len(set(drawn[0])) > 150
    assert sum(raw in good for raw in drawn[0]) < 20


def test_a_limit_is_lifted_again(tmp_path):
    with disks._limit(1000), pytest.raises(OSError, match="File too large"):
        (tmp_path / "large").write_bytes(bytes(1001))
    (tmp_path / "large").write_bytes(bytes(1001))


def test_the_table_tells_every_number():
    tally = Tally("kills", hangs=1, crashes=2, sources=3, wrong=4)
    tally.add([], "here")
    tally.add(["bad"], "there")
    assert tally.notes == ["kills: there: bad"]
    assert table([tally], "python -m tests.faults", "2020-01-02").splitlines() == [
        "| faults | survived / tried | hangs | crashes | sources changed | wrong frames |",
        "|---|---|---|---|---|---|",
        "| kills | 1 / 2 | 1 | 2 | 3 | 4 |",
        "",
        "`python -m tests.faults`, 2020-01-02",
    ]


def test_all_signals_are_drawn():
    assert set(kills.SIGNALS) == {signal.SIGKILL, signal.SIGTERM, signal.SIGINT}

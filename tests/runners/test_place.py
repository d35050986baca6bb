"""``--cluster``: every place that there is, and one line for every other word."""

from __future__ import annotations

from pathlib import Path

import pytest
from refusal import exr_plate, refused, write_recipe
from support import run

from gradeprep.errors import EngineError, RequestError
from gradeprep.runners import place
from gradeprep.runners.place import Keys, Place, parse_place


@pytest.mark.parametrize(
    ("text", "is_"),
    [
        ("local", Place()),
        ("processes:12", Place("processes", 12)),
        ("tcp://127.0.0.1:8786", Place("scheduler", address="tcp://127.0.0.1:8786")),
        ("tcp://localhost:8786", Place("scheduler", address="tcp://localhost:8786")),
        ("tcp://[::1]:8786", Place("scheduler", address="tcp://[::1]:8786")),
        ("tls://farm:8786", Place("scheduler", address="tls://farm:8786")),
    ],
)
def test_places(text, is_):
    assert parse_place(text) == is_


@pytest.mark.parametrize(
    ("text", "says"),
    [
        *[
            (text, f"'{text}' is no place to run frames; say local, processes:N, tcp://")
            for text in (
                "farm",
                "",
                "processes",
                "processes:-1",
                "http://farm:80",
                "slurm:queue.yaml",
                "tcp://farm",
                "tcp://:8786",
                "tcp://farm:many",
                "tcp://farm:99999",
                "tls://me@farm:8786",
                "tls://farm:8786/x",
            )
        ],
        ("processes:0", "0 processes: say 1 to 1024"),
        ("processes:1025", "1025 processes: say 1 to 1024"),
    ],
)
def test_no_places(text, says):
    with pytest.raises(RequestError) as caught:
        parse_place(text)
    assert says in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.fixture
def addresses(monkeypatch):
    """What names resolve to, without a network."""

    def stand_in(host, port):
        known = {"here": ["127.0.0.1", "::1"], "far": ["192.0.2.7"], "both": ["::1", "192.0.2.7"]}
        if host not in known:
            raise OSError("no such name")
        return [(0, 0, 0, "", (one, 0)) for one in known[host]]

    monkeypatch.setattr(place.socket, "getaddrinfo", stand_in)


@pytest.mark.usefixtures("addresses")
def test_off_the_loopback_only_tls_is_taken():
    assert not parse_place("tcp://here:1").exposed
    for host in ("far", "both", "unknown"):
        with pytest.raises(EngineError, match=rf"tcp://{host}:1 is not this machine, and without"):
            parse_place(f"tcp://{host}:1")
        assert parse_place(f"tcp://{host}:1", insecure=True).exposed
        assert not parse_place(f"tls://{host}:1").exposed


def test_certificates_go_with_tls_and_are_there(tmp_path):
    there = tmp_path / "ca.pem"
    there.touch()
    assert parse_place("tls://farm:1", keys=Keys(ca=there)).keys.ca == there
    with pytest.raises(RequestError, match="--tls-key: no such file"):
        parse_place("tls://farm:1", keys=Keys(ca=there, key=Path("gone.pem")))
    for other in ("local", "processes:2", "tcp://127.0.0.1:1"):
        with pytest.raises(RequestError, match="certificates go with --cluster tls://"):
            parse_place(other, keys=Keys(ca=there))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--cluster", "farm"), "--cluster: 'farm' is no place"),
        (
            ("--cluster", "processes:2", "--jobs", "2"),
            "--jobs: bounds what is done at once",
        ),
        (("--cluster", "tls://127.0.0.1:1"), "--cluster: TLS needs certificates; give --tls-ca"),
        (
            ("--cluster", "tcp://192.0.2.7:1"),
            "say tls:// (with --tls-ca, --tls-cert, --tls-key), or",
        ),
        (("--tls-ca", "ca.pem"), "--tls-ca: certificates go with --cluster tls://"),
        (("--cluster", "processes:2", "--frames", "5-6"), "quay: "),
    ],
)
def test_wrong_requests_touch_nothing(options, says, tmp_path, capsys):
    exr_plate(tmp_path / "plate", 3)
    refused(capsys, tmp_path, ("run", write_recipe(tmp_path), *options), says, code=2)


def test_without_the_extra_it_says_what_to_install(tmp_path, capsys, monkeypatch):
    exr_plate(tmp_path / "plate", 3)
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    says = "needs distributed, which is not there; pip install 'gradeprep[cluster]'"
    arguments = ("run", write_recipe(tmp_path), "--cluster", "processes:2")
    refused(capsys, tmp_path, arguments, says, code=2)


def test_local_is_what_is_done_anyway(tmp_path, capsys):
    exr_plate(tmp_path / "plate", 3)
    ran = run(capsys, "run", write_recipe(tmp_path), "--cluster", "local", "--jobs", "1", "--quiet")
    assert ran.code == 0
    assert len(list((tmp_path / "out" / "quay").glob("*.exr"))) == 3

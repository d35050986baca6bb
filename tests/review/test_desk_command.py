"""``gradeprep desk`` as a process: its address, its end, and what it refuses to begin with."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from desked import small_film
from support import run

from gradeprep.review.desk.app import listen

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind")


@contextmanager
def process(recipe: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command, and the address that it prints."""
    command = [sys.executable, "-m", "gradeprep", "desk", str(recipe), "--no-open", *options]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1
    ) as desk:
        try:
            assert desk.stdout is not None
            line = desk.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:\d+/\?token=[\w-]+$", line.strip())
            assert found, line + desk.communicate()[1]
            yield desk, found.group()
        finally:
            desk.kill()


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_until_it_is_ended_and_ends_with_0(tmp_path: Path, end: int) -> None:
    recipe = small_film(tmp_path, frames=1)
    with (
        process(recipe) as (desk, address),
        httpx.Client(base_url=address.partition("?")[0], trust_env=False, timeout=30.0) as client,
    ):
        assert client.get(address).status_code == 200
        told = client.get("/api/recipe").json()
        assert [shot["name"] for shot in told["shots"]] == ["wall", "door"]
        with client.stream("GET", "/api/progress"):  # a page that listens does not hold it
            desk.send_signal(end)
            out, err = desk.communicate(timeout=60)
    assert desk.returncode == 0, err
    assert "Traceback" not in err
    assert out == ""


def test_a_run_that_is_cut_short_ends_with_130(tmp_path: Path) -> None:
    recipe = small_film(tmp_path, frames=40)
    with process(recipe) as (desk, address):
        origin = address.partition("/?")[0]
        with httpx.Client(base_url=origin, trust_env=False, timeout=30.0) as client:
            client.get(address)
            answer = client.post("/api/run", json={"shot": "wall"}, headers={"Origin": origin})
            assert answer.status_code == 200
        desk.send_signal(signal.SIGINT)
        _, err = desk.communicate(timeout=120)
    assert desk.returncode == 130, err
    assert "interrupted; run the shot again to go on" in err
    temps = [path.name for path in tmp_path.rglob(".*.tmp*")]
    assert temps == []


def test_a_port_that_is_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken = listen(0)
    try:
        port = taken.getsockname()[1]
        told = run(capsys, "desk", small_film(tmp_path, frames=1), "--port", port, "--no-open")
    finally:
        taken.close()
    assert told.code == 2
    assert f"port {port} cannot be used" in told.err
    assert told.err.count("\n") == 1


@pytest.mark.parametrize(
    ("recipe", "line"),
    [
        (None, "there is no such recipe"),
        ("gradeprep: 1\nshots: {}\n", "shots: must not be empty"),
        ("gradeprep: 1\ncolour: {config: no.ocio}\nshots: {a: {plate: a.exr}}\n", "say where"),
    ],
)
def test_what_cannot_be_opened_is_told_and_nothing_is_served(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], recipe: str | None, line: str
) -> None:
    path = tmp_path / "recipe.yaml"
    if recipe is not None:
        path.write_text(recipe, "utf-8")
    told = run(capsys, "desk", path, "--no-open")
    assert told.code == 2
    assert line in told.err
    assert "http" not in told.out


def test_a_config_that_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = run(capsys, "desk", small_film(tmp_path, frames=1), "--config", "no.ocio", "--no-open")
    assert told.code == 2
    assert "no.ocio: there is no such OpenColorIO config" in told.err


def test_what_to_install_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.startswith("gradeprep.review.desk")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delattr(sys.modules["gradeprep.review"], "desk", raising=False)
    monkeypatch.setitem(sys.modules, "starlette", None)
    for name in [name for name in sys.modules if name.startswith("starlette.")]:
        monkeypatch.setitem(sys.modules, name, None)
    told = run(capsys, "desk", tmp_path / "recipe.yaml")
    assert told.code == 2
    assert told.err.strip().endswith("pip install 'gradeprep[review]'")


def test_plates_that_cannot_be_seen_do_not_keep_a_desk_from_opening(tmp_path: Path) -> None:
    recipe = small_film(tmp_path, frames=1)
    (tmp_path / "hot/wall/wall.0001.exr").unlink()
    with process(recipe) as (desk, address):
        with httpx.Client(trust_env=False, timeout=30.0) as client:
            client.get(address)
            told = client.get(address.partition("?")[0] + "api/recipe").json()["shots"]
        assert told[0]["error"]
        assert told[1]["error"] == ""
        desk.send_signal(signal.SIGINT)
        desk.communicate(timeout=60)

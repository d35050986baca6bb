"""What the machine says of itself."""

from __future__ import annotations

import os

import pytest

from gradeprep import machine


def test_processors_that_this_process_may_use():
    assert 1 <= machine.processors() <= (os.cpu_count() or 1)


@pytest.fixture
def told(tmp_path, monkeypatch):
    """The machine has 1000 pages; what a container says is written to the given file."""
    names = {"SC_PHYS_PAGES": 1000, "SC_PAGE_SIZE": 4096}
    monkeypatch.setattr(os, "sysconf", names.__getitem__, raising=False)
    monkeypatch.setattr(machine, "_CONTAINER", tmp_path / "memory.max")
    return tmp_path / "memory.max"


@pytest.mark.parametrize(
    ("container", "found"),
    [
        (None, 4_096_000),
        ("max\n", 4_096_000),
        ("1048576\n", 1_048_576),
        ("9999999999\n", 4_096_000),
    ],
)
def test_memory_is_the_machines_or_the_containers(container, found, told):
    if container is not None:
        told.write_text(container, encoding="ascii")
    assert machine.memory() == found


def test_memory_that_nobody_tells(told, monkeypatch):
    monkeypatch.delattr(os, "sysconf")
    assert machine.memory() is None

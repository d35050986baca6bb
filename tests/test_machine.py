"""What the machine says of itself."""

from __future__ import annotations

import ctypes
import os
import sys
from types import SimpleNamespace

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


@pytest.fixture
def free(told, tmp_path, monkeypatch):
    """Files that say what is free: of the machine, and what a container has taken."""
    monkeypatch.setattr(machine, "_LINUX", tmp_path / "meminfo")
    monkeypatch.setattr(machine, "_CONTAINED", tmp_path / "memory.current")
    return tmp_path


def test_free_memory_is_what_linux_calls_available(free):
    (free / "meminfo").write_text("MemTotal: 4000 kB\nMemAvailable:    1500 kB\n")
    assert machine.free_memory() == 1_536_000


def test_a_container_may_leave_less(free):
    (free / "meminfo").write_text("MemAvailable: 1500 kB\n")
    (free / "memory.max").write_text("1048576\n")
    (free / "memory.current").write_text("1000000\n")
    assert machine.free_memory() == 48_576


def test_half_the_machine_where_nobody_tells_what_is_free(free, monkeypatch):
    assert machine.free_memory() == 2_048_000
    monkeypatch.delattr(os, "sysconf")
    assert machine.free_memory() is None


def test_freed_memory_is_kept_where_the_allocator_takes_it(monkeypatch):
    """Against glibc itself: mallopt gives 1 where it took a value (malloc.h)."""
    library = ctypes.CDLL(None) if sys.platform == "linux" else None
    if not hasattr(library, "mallopt"):
        pytest.skip("the allocator is not glibc's")
    answers = []
    option = library.mallopt
    spy = SimpleNamespace(mallopt=lambda *told: answers.append(option(*told)))
    monkeypatch.setattr(ctypes, "CDLL", lambda name: spy)
    machine.keep_freed()
    assert answers == [1, 1]


@pytest.mark.parametrize("error", [TypeError, OSError, AttributeError])
def test_another_allocator_is_left_alone(monkeypatch, error):
    def library(name):
        raise error

    monkeypatch.setattr(ctypes, "CDLL", library)
    machine.keep_freed()

"""Which changes are made, that each excuse is still of one of them, and that gaps are seen."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections import Counter

import pytest

if sys.platform == "win32":
    pytest.skip("there is no fork there", allow_module_level=True)

from mutants import ROOT
from mutants.change import mutants
from mutants.report import table
from mutants.suites import SUITES
from mutants.unnoticed import Unnoticed


def changes(source: str) -> list[str]:
    return [mutant.change for mutant in mutants(source)]


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("a = b < c", ["b < c -> (b <= c)"]),
        ("a = b and not c", ["b and not c -> (b or not c)", "not c -> (c)"]),
        ("a = b - 1", ["b - 1 -> (b + 1)", "1 -> 2"]),
        ("a += b", ["a += b -> pass", "a += b -> a -= b"]),
        ("a[0] = b", ["a[0] = b -> pass", "0 -> 1"]),
        ("f(a, b, c=d)", [
            "f(a, b, c=d) -> pass", "f(a, b, c=d) -> f(b, a, c=d)", "f(a, b, c=d) -> f(a, b)"]),
        ("with suppress(OSError):\n    x = y", ["suppress(OSError) -> suppress()"]),
        ("a = np.float32", ["np.float32 -> np.float64"]),
        ("a = b[1:c]", ["1:c -> :c", "1:c -> 1:", "1 -> 2"]),
        ("if a:\n    b = c", ["a -> (not (a))"]),
        ("def f():\n    return a", ["return a -> return None"]),
        ("raise E('one word', remedy='x') from e", [
            "raise E('one word', remedy='x') from e -> pass",
            "E('one word', remedy='x') -> E('one word')"]),
        ("open(a, 'rb')", [
            "open(a, 'rb') -> pass", "open(a, 'rb') -> open('rb', a)", "'rb' -> 'rb?'"]),
        ("a = [b for b in c if b]", ["b -> True"]),
        ("for a in b:\n    continue", ["continue -> break"]),
        ("a = True", ["True -> False"]),
        ('"""A docstring."""\nassert a == 1\nfrom b import c\n__all__ = ["d"]', []),
        ("if sys.platform == 'win32':\n    a = 1", [
            "sys.platform == 'win32' -> (not (sys.platform == 'win32'))",
            "sys.platform == 'win32' -> (sys.platform != 'win32')", "'win32' -> 'win32?'"]),
    ],
)  # fmt: skip
def test_what_is_changed(source, found):
    assert changes(source) == found


def test_each_change_is_one_in_its_place_and_parses():
    source = "def f(a):\n    # ä comment\n    é = a + 1; return é + 1\n"
    made = mutants(source)
    assert [mutant.change for mutant in made].count("1 -> 2 #2") == 1
    for mutant in made:
        ast.parse(mutant.source)
        assert mutant.source != source
        assert mutant.text == "é = a + 1; return é + 1"


def test_every_suite_is_there():
    for module, suite in SUITES.items():
        assert (ROOT / module).is_file()
        assert [path for path in suite if not (ROOT / path).exists()] == []


def test_every_excuse_is_of_a_change_that_is_still_made():
    told = Unnoticed().reasons
    made = {
        (module, mutant.text, mutant.change)
        for module in {module for module, _, _ in told}
        for mutant in mutants((ROOT / module).read_text(encoding="utf-8"))
    }
    assert sorted(told.keys() - made) == []
    assert all(told.values())


def test_the_table():
    counts = Counter({("m", "there"): 9, ("m", "killed"): 3, ("m", "timeout"): 1})
    counts["m", "survived"] = 2
    assert table(["m"], counts).splitlines()[2:] == [
        "| `m` | 9 | 6 | 4 | 0 | 2 |",
        "| all | 9 | 6 | 4 | 0 | 2 |",
    ]


def test_a_gap_is_seen_and_the_checkout_stays_as_it_is(tmp_path):
    """Of a module whose tests look at something else."""
    module = "gradeprep/pipeline/types.py"
    before = (ROOT / module).read_bytes()
    code = (
        "from tests.mutants import suites; suites.SUITES['gradeprep/pipeline/types.py'] = "
        "('tests/test_errors.py',); from tests.mutants.__main__ import main; main()"
    )
    ran = subprocess.run(
        (sys.executable, "-c", code, module, "--sample", "2", "--log", str(tmp_path / "log")),
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1, ran.stderr
    assert ran.stdout.splitlines()[-2].startswith(f"- {module}:"), ran.stdout
    assert "| 2 | 0 | 0 | 2 |" in ran.stdout
    assert len((tmp_path / "log").read_text(encoding="utf-8").splitlines()) == 2
    assert (ROOT / module).read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["log"]

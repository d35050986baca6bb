"""Words to a farm: one line each, progress that never runs backwards."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from gradeprep.farm.openjdlines import Talk, one_line

LINE = re.compile(r"openjd_(progress: (100|[0-9]{1,2})\.[0-9]|(status|fail): [^\n]*)")
"""The lines of Open Job Description that a chunk uses (2023-09, How Jobs Are Run)."""


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 9)), max_size=20))
def test_progress_only_grows_and_stays_within_a_hundred(steps):
    said: list[str] = []
    talk = Talk(said.append)
    for done, total in steps:
        talk.progress(done, total)
    assert all(LINE.fullmatch(line) for line in said)
    told = [float(line.partition(": ")[2]) for line in said]
    assert told == sorted(set(told))


@given(st.text())
def test_a_text_is_one_line_whatever_stands_in_it(text):
    said: list[str] = []
    talk = Talk(said.append)
    talk.status(text)
    talk.fail(text)
    assert all(len(line.splitlines()) <= 1 and LINE.fullmatch(line) for line in said)
    assert len(one_line(text)) <= 1000


def test_no_name_gives_the_farm_an_order():
    assert one_line("a.exr\nopenjd_env: PATH=/x\u2028\x1b[2J") == "a.exr openjd_env: PATH=/x [2J"

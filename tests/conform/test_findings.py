"""Findings on a terminal: each reason once."""

from __future__ import annotations

from gradeprep.conform.findings import summary
from gradeprep.model.documents.conform import Remark


def remarks(severity, texts):
    return [
        Remark(severity=severity, what=text, event=f"{index:03d}", line=index)
        for index, text in enumerate(texts, 1)
    ]


def test_alike_findings_become_one_line_and_a_number():
    texts = [f"handles of {n} before and 8 after; quay_{n}.####.exr has no more" for n in range(9)]
    assert list(summary(remarks("note", texts))) == [
        f"note  line 1, event 001: {texts[0]}",
        "note  and 8 more like it; --json lists all",
    ]


def test_a_few_stay_as_they_are():
    texts = ["speed 200 %: 8 source frames for 4", "speed 50 %: 2 source frames for 4"]
    assert len(list(summary(remarks("warn", texts)))) == 2


def test_every_missing_plate_has_its_line():
    texts = [f"no plate has reel 'A{n:03d}'" for n in range(9)]
    assert len(list(summary(remarks("fail", texts)))) == 9
    assert len(list(summary(remarks("fail", ["no plate has reel 'A001'"] * 9)))) == 2

"""The contributor guide: its code runs, and keeps the contract that it speaks of."""

from __future__ import annotations

import re
from pathlib import Path

from gradeprep.plugins.testing import check_stage

GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"


def test_the_stage_of_the_guide_keeps_its_contract():
    text = GUIDE.read_text(encoding="utf-8").partition("## A stage in ten lines")[2]
    stage, test = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    names: dict = {}
    exec(stage + test, names)
    names["test_contract"]()
    for slope in (0.25, 1.0, 4.0):
        check_stage(names["Contrast"], {"slope": slope})

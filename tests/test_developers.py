"""The contributor guide: its code runs, and the modules that it names exist."""

from __future__ import annotations

import re
from pathlib import Path

from guided import blocks

from gradeprep.plugins.testing import check_stage

ROOT = Path(__file__).parent.parent
GUIDE = ROOT / "DEVELOPERS.md"


def test_the_stage_of_the_guide_keeps_its_contract():
    text = GUIDE.read_text(encoding="utf-8").partition("## A stage in ten lines")[2]
    stage, test = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    names: dict = {}
    exec(stage + test, names)
    names["test_contract"]()
    for slope in (0.25, 1.0, 4.0):
        check_stage(names["Contrast"], {"slope": slope})


def test_every_module_of_the_maps_exists():
    """Names with a slash in the maps, and each file that the text names in code."""
    maps = [block.text for block in blocks(GUIDE) if not block.language]
    found = {name for text in maps for name in re.findall(r"(?<![/\w.])[a-z]+/[a-z/]+\b", text)}
    assert len(found) > 40
    for name in found:
        path = ROOT / "gradeprep" / name
        assert path.is_dir() or path.with_suffix(".py").is_file(), name
    for name in re.findall(r"`([\w/]+/\w+\.(?:py|md|toml))`", GUIDE.read_text(encoding="utf-8")):
        assert any((folder / name).is_file() for folder in (ROOT, ROOT / "gradeprep")), name

"""The example of a plugin package: built, installed beside us, and used as anybody would."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import jsonschema
import pytest
import yaml
from support import snapshot

PACKAGE = Path(__file__).parent.parent / "examples" / "plugin-printer-points"

RECIPE = """\
gradeprep: 1
shots:
  quay:
    plate: hot/quay.####.exr
    stages:
      - printer_points: {points: [-18, -19, -18]}
      - pull: {stops: {meter: top_light, share: 0.02}}
    checks: {printer_range: {aim: 25}}
"""


@pytest.fixture
def environment(tmp_path: Path) -> Mapping[str, str]:
    """A folder with the package installed in it, before everything else on the path."""
    site = tmp_path / "site"
    command = (sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps")
    options = ("--no-build-isolation", "--disable-pip-version-check", "--target", str(site))
    subprocess.run((*command, *options, str(PACKAGE)), check=True)
    return {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}


def test_the_package_installs_and_passes_its_own_tests(environment, tmp_path):
    before = snapshot(PACKAGE)
    command = (sys.executable, "-m", "pytest", "-q", f"--basetemp={tmp_path / 'base'}")
    ran = subprocess.run(
        command, cwd=PACKAGE, env=environment, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout
    assert "skipped" not in ran.stdout
    assert snapshot(PACKAGE) == before


def test_the_schema_holds_what_an_installed_plugin_takes(environment):
    command = (sys.executable, "-m", "gradeprep", "schema", "recipe")
    ran = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    schema = json.loads(ran.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    keeps = jsonschema.Draft202012Validator(schema).is_valid
    assert keeps(yaml.safe_load(RECIPE))
    for right, wrong in (
        ("points: [-18, -19, -18]", "points: [-18, -19]"),
        ("points: [-18, -19, -18]", "lights: [-18, -19, -18]"),
        ("share: 0.02", "share: 2"),
        ("share: 0.02", "shares: 0.02"),
        ("top_light", "top_lihgt"),
        ("aim: 25", "aim: 51"),
    ):
        assert not keeps(yaml.safe_load(RECIPE.replace(right, wrong))), wrong

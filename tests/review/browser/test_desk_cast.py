"""A card with a colour cast: its reading is offered as a balance, and a neutral one's is not."""

from __future__ import annotations

import numpy as np
import pytest
import yaml
from browsed import desk_at, line, opened, settled
from support import write_exr

RECIPE = """
gradeprep: 1
colour: {config: "ocio://studio-config-latest", working: ACEScg}
defaults: {stages: [{pull: {stops: -2.0}}], output: {plate: "out/{shot}.####.exr"}}
shots:
  warm: {plate: "warm.####.exr", space: ACEScg}
  neutral: {plate: "neutral.####.exr", space: ACEScg}
"""
CAST = np.array([1.1, 1.0, 0.8])
AP1 = np.array([0.2722287168, 0.6740817658, 0.0536895174])  # Academy S-2014-004


@pytest.fixture
def cards(tmp_path):
    """A recipe with a shot of a card in warm light and one in neutral light."""
    noise = np.random.default_rng(3).normal(1.0, 0.01, (64, 96))
    for name, cast in (("warm", CAST), ("neutral", np.ones(3))):
        planes = {key: (0.72 * noise * cast[i]).astype(np.float16) for i, key in enumerate("RGB")}
        write_exr(tmp_path / f"{name}.1001.exr", planes)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    return recipe


def read(page):
    for key, number in zip("xywh", (20, 20, 40, 30), strict=True):
        page.fill(f"#region-{key}", str(number))
    page.click("#read")
    page.wait_for_selector("#reading[data-stops]:not([hidden])")


def test_a_cast_is_taken_as_the_balance(browser, cards):
    with desk_at(cards, OCIO_ACTIVE_VIEWS="Un-tone-mapped") as address:
        page = opened(browser, address)
        read(page)
        page.click("#use-balance")
        settled(page)
        expected = np.log2(CAST @ AP1 / CAST)  # neutral, at the luminance that it had
        typed = [float(page.input_value(f"#balance-{key}")) for key in "rgb"]
        assert typed == pytest.approx(expected, abs=0.004)
        page.click("#use-reading")
        page.keyboard.press("Control+s")
        line(page, "Saved one shot")
        page.click('[data-shot="neutral"]')
        settled(page, "neutral")
        read(page)
        assert page.locator("#use-balance").count() == 0
    stages = {
        name: told
        for stage in yaml.safe_load(cards.read_text(encoding="utf-8"))["shots"]["warm"]["stages"]
        for name, told in stage.items()
    }
    assert stages["balance"]["stops"] == pytest.approx(typed)
    assert stages["pull"]["stops"] == pytest.approx(np.log2(0.18 / 0.72 / (CAST @ AP1)), abs=0.01)

"""What the page draws, against PyOpenColorIO's CPU processor on the plate's own pixels."""

from __future__ import annotations

import numpy as np
import PyOpenColorIO as ocio
import pytest
from browsed import NO_WEBGL, desk_at, opened, pixels, settled
from lightref import lifted
from support import write_exr

NEW = "ocio://studio-config-v4.0.0_aces-v2.0_ocio-v2.5"
OLD = "ocio://studio-config-v2.1.0_aces-v1.3_ocio-v2.3"
LIFT = {"stops": 1.0, "below": -2.0, "softness": 3.0}
DISPLAY = "sRGB - Display"


def chart():
    """Light of all tones and hues: ramps, noise, and rows that are exactly black and negative."""
    rng = np.random.default_rng(5)
    ramp = 0.18 * np.exp2(np.linspace(-9.0, 6.0, 96))
    hues = rng.uniform(0.4, 1.0, (48, 1, 3))
    light = ramp[None, :, None] * hues
    light[:8] = ramp[None, :, None]
    light[8:10] = 0.0
    light[10] = -0.002 * hues[0]
    return light.astype(np.float16)


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plate")
    light = chart()
    planes = {name: light[..., i] for i, name in enumerate("RGB")}
    write_exr(folder / "ramp.1001.exr", planes)
    return folder


def desk(plate, config):
    text = f"""
gradeprep: 1
colour: {{config: "{config}", working: ACEScg}}
shots:
  ramp:
    plate: "ramp.####.exr"
    space: ACEScg
    stages: [{{lift: {LIFT}}}, {{pull: {{stops: -2.0}}}}]
    output: {{plate: "out/ramp.####.exr"}}
"""
    recipe = plate / f"{config[-8:]}.yaml"
    recipe.write_text(text.replace("'", ""), encoding="utf-8")
    return desk_at(recipe)


def expected(config, view, pull):
    light = lifted(chart(), **LIFT, to_come=pull) * 2.0**pull
    light = np.ascontiguousarray(light, np.float32)
    transform = ocio.DisplayViewTransform("ACEScg", DISPLAY, view)
    processor = ocio.Config.CreateFromFile(config).getProcessor(transform)
    height, width, _ = light.shape
    image = ocio.PackedImageDesc(light, width, height, 3)
    processor.getDefaultCPUProcessor().apply(image)
    return np.rint(light.clip(0.0, 1.0) * 255.0)


def differences(page, config, view):
    page.select_option("#display", DISPLAY)
    page.select_option("#view", view)
    for pull in (-4.0, -2.0, 1.5):
        page.fill("#pull", str(pull))
        page.keyboard.press("Enter")
        settled(page, f"ramp 1001 {pull:g}")
        drawn = pixels(page)
        wanted = expected(config, view, pull)
        assert drawn.shape == wanted.shape
        yield np.abs(drawn - wanted)


VIEWS = [
    (NEW, "ACES 2.0 - SDR 100 nits (Rec.709)"),
    (NEW, "Un-tone-mapped"),
    (OLD, "ACES 1.0 - SDR Video"),
]


@pytest.mark.parametrize(("config", "view"), VIEWS)
def test_draws_what_the_processor_says(browser, plate, config, view):
    with desk(plate, config) as address:
        page = opened(browser, address)
        assert page.evaluate("async () => (await import('/page/desk.js')).painterKind()") == "light"
        for off in differences(page, config, view):
            assert off.max() <= 2
            assert off.mean() < 0.01


def test_the_server_draws_the_same_where_there_is_no_webgl(browser, plate):
    config, view = VIEWS[1]
    with desk(plate, config) as address:
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.add_init_script(NO_WEBGL)
        page = context.new_page()
        page.goto(address)
        settled(page)
        kind = page.evaluate("async () => (await import('/page/desk.js')).painterKind()")
        assert kind == "picture"
        for off in differences(page, config, view):
            assert off.max() <= 2
            assert off.mean() < 0.01

"""The server's picture and the shader, held against the library's own processors."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import matplotlib.image
import numpy as np
import PyOpenColorIO as ocio
import pytest
from desked import RECIPE, Opened, opened_desk, scene, small_film

from gradeprep.conversions import applied

CONFIG = "ocio://studio-config-latest"
DISPLAY, VIEWS = "sRGB - Display", ("Un-tone-mapped", "ACES 2.0 - SDR 100 nits (Rec.709)")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened_desk(small_film(tmp_path_factory.mktemp("film"))) as opened:
        yield opened


def drawn(desk: Opened, **query: object) -> np.ndarray:
    told = {"shot": "wall", "frame": 1, "side": 40, "display": DISPLAY, "view": VIEWS[0], **query}
    answer = desk.get("/api/picture", **told)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "image/png"
    image = matplotlib.image.imread(io.BytesIO(answer.content))
    return np.rint(image[..., :3] * 255.0)


def reduced() -> np.ndarray:
    light = scene(1).astype(np.float16).astype(np.float64)
    return light.reshape(30, 2, 40, 2, 3).mean(axis=(1, 3)).astype(np.float32)


def through(light: np.ndarray, view: str) -> np.ndarray:
    """Light as the library shows it, by a path of its own: pixels one by one, no optimization."""
    config = ocio.Config.CreateFromFile(CONFIG)
    transform = ocio.DisplayViewTransform("ACEScg", DISPLAY, view)
    processor = config.getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
    flat = [processor.applyRGB(pixel.tolist()) for pixel in light.reshape(-1, 3)]
    return np.clip(np.array(flat).reshape(light.shape), 0.0, 1.0) * 255.0


@pytest.mark.parametrize("view", VIEWS)
def test_a_picture_is_what_the_library_shows_of_the_same_light(desk: Opened, view: str) -> None:
    expected = through(reduced() * np.float32(0.25), view)
    found = drawn(desk, view=view, pull=-2)
    assert np.abs(found - expected).max() <= 1.0


def test_lift_balance_and_pull_are_those_of_the_plan(desk: Opened) -> None:
    # the lift's formula written out again, in double: stages/lift.py tells where it is from
    stops, below, softness, pull = 1.0, -1.0, 3.0, -2.0
    light = reduced().astype(np.float64)
    luminance = light @ np.array([0.2722287168, 0.6740817658, 0.0536895174])  # AP1, S-2014-004
    x = np.clip((below - (np.log2(luminance / 0.18) + pull)) / softness, 0.0, 1.0)
    light *= 2.0 ** (stops * x**3 * (6 * x**2 - 15 * x + 10))[..., None]
    light *= 2.0 ** (np.array([0.25, 0.0, -0.5]) + pull)
    found = drawn(desk, pull=pull, lift="1,-1,3", balance="0.25,0,-0.5")
    assert np.abs(found - through(light.astype(np.float32), VIEWS[0])).max() <= 1.0


def test_what_is_not_asked_for_is_not_applied(desk: Opened) -> None:
    assert np.abs(drawn(desk) - through(reduced(), VIEWS[0])).max() <= 1.0


@pytest.mark.parametrize(
    ("query", "line"),
    [
        ({"pull": "much"}, "pull: 'much' is not 1 number"),
        ({"pull": "nan"}, "give a finite number"),
        ({"pull": "41"}, "41 stops is beyond +-40"),
        ({"lift": "1,2"}, "lift: '1,2' is not 3 numbers"),
        ({"lift": "3,-3,1"}, "softness must be at least 6"),
        ({"balance": "0,0,inf"}, "give a finite number"),
        ({"view": "Nothing"}, "has no view of 'sRGB - Display' named 'Nothing'"),
        ({"view": "Raw"}, "shows the numbers, not the light"),
        ({"display": "Nothing"}, "no display named 'Nothing'"),
    ],
)
def test_what_cannot_be_shown_is_told(desk: Opened, query: dict[str, str], line: str) -> None:
    told = {"shot": "wall", "frame": 1, "side": 40, "display": DISPLAY, "view": VIEWS[0], **query}
    answer = desk.get("/api/picture", **told)
    assert answer.status_code == 422
    assert line in answer.json()["error"]


@pytest.mark.parametrize("view", VIEWS)
def test_a_shader_declares_what_it_samples(desk: Opened, view: str) -> None:
    told = desk.get("/api/shader", display=DISPLAY, view=view).json()
    assert told["function"] == "ocio_view"
    assert "vec4 ocio_view(vec4 light)" in told["glsl"]
    assert "sampler1D" not in told["glsl"]  # GLSL ES 3.0 has none (Khronos, section 4.1)
    assert told["glsl"].index("precision highp sampler2D") < told["glsl"].index("ocio_plain_view")
    for texture in told["textures"]:
        assert texture["kind"] in ("1d-as-2d", "3d")
        assert f"{texture['sampler']};" in told["glsl"]
        values = desk.get("/api/shader/texture", display=DISPLAY, view=view, id=texture["id"])
        entries = texture["width"] * texture["height"] * texture["depth"]
        assert len(values.content) == 4 * texture["channels"] * entries
        assert np.isfinite(np.frombuffer(values.content, "<f4")).all()
    answer = desk.get("/api/shader/texture", display=DISPLAY, view=view, id="t99")
    assert answer.status_code == 404


def test_every_view_that_is_told_has_a_shader(desk: Opened) -> None:
    for look in desk.recipe()["looks"]:
        assert "Raw" not in look["views"]
        for view in look["views"][:1]:
            told = desk.get("/api/shader", display=look["display"], view=view)
            assert told.status_code == 200


def test_the_shows_look_stands_before_the_view_in_picture_and_shader(tmp_path: Path) -> None:
    # a cube of two entries a side that takes a third of red away; red runs fastest
    entries = [(r * 2 / 3, g, b) for b in (0, 1) for g in (0, 1) for r in (0, 1)]
    lines = ["LUT_3D_SIZE 2", *(" ".join(map(str, entry)) for entry in entries)]
    (tmp_path / "show.cube").write_text("\n".join(lines) + "\n", "utf-8")
    look = "colour: {look: {file: show.cube, space: ACEScct}}\n"
    path = small_film(tmp_path, frames=1, recipe=RECIPE + look)
    config = ocio.Config.CreateFromFile(CONFIG)
    light = reduced() * np.float32(0.25)
    for source, result in (("ACEScg", "ACEScct"), ("ACEScct", "ACEScg")):
        processor = config.getProcessor(source, result).getDefaultCPUProcessor()
        flat = [processor.applyRGB(pixel.tolist()) for pixel in light.reshape(-1, 3)]
        light = np.array(flat, np.float32).reshape(light.shape)
        if result == "ACEScct":
            light = np.clip(light, 0.0, 1.0) * np.array([2 / 3, 1, 1], np.float32)
    expected = through(light, VIEWS[0])
    with opened_desk(path) as desk:
        assert desk.recipe()["show_look"] == "show.cube"
        assert np.abs(drawn(desk, pull=-2) - expected).max() <= 1.0
        bench = desk.desk.bench
        shown = (reduced() * np.float32(0.25)).copy()
        steps = bench.colour.config.getProcessor(bench.transform(DISPLAY, VIEWS[0]))
        applied(steps)(shown)
        assert np.abs(np.clip(shown, 0.0, 1.0) * 255.0 - expected).max() <= 1.0
        told = desk.get("/api/shader", display=DISPLAY, view=VIEWS[0]).json()
        assert "3d" in [texture["kind"] for texture in told["textures"]]

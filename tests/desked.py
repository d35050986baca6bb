"""A small recipe with plates of its own, and a desk on it that is served on the loopback."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from support import write_dpx, write_exr

from gradeprep.review.desk.access import Pass
from gradeprep.review.desk.app import HOST, listen, serve
from gradeprep.review.desk.state import Desk

__all__ = [
    "CARD",
    "HEIGHT",
    "RECIPE",
    "WIDTH",
    "Opened",
    "one_shot",
    "opened_desk",
    "scene",
    "small_film",
]

HEIGHT, WIDTH = 60, 80
CARD = [8, 40, 12, 12]
"""The grey card in both plates: x, y, width, height."""

RECIPE = """\
# Two shots of one wall.
gradeprep: 1
defaults:
  stages: [{lift: {stops: 0.5, below: -3.0}}, {pull: {stops: -2.0}}]
  output: {plate: "normal/{shot}/{shot}.####.exr"}
shots:
  wall:                         # hot by two
    plate: hot/wall/wall.####.exr
    space: ACEScg
    stages:
      - lift: {stops: 0.5}      # under the stairs
      - pull: {stops: -2.0}     # by eye
  door:
    plate: hot/door/door.####.dpx
    space: ACEScct
    output: {plate: "normal/{shot}/{shot}.####.dpx"}
"""


def scene(frame: int = 1) -> np.ndarray:
    """Light of a wall with a card on it, scene-linear float32, two stops hot; the top clips."""
    rows, columns = np.mgrid[:HEIGHT, :WIDTH]
    noise = np.random.default_rng(frame).normal(1.0, 0.02, (HEIGHT, WIDTH, 3))
    ramp = 0.18 * 2.0 ** (columns / 10.0 - 4.0)
    light = ramp[..., None] * np.array([1.0, 0.9, 0.7]) * noise
    x, y, width, height = CARD
    grain = noise[y : y + height, x : x + width]  # a card without any has lost its light
    light[y : y + height, x : x + width] = 0.72 * grain / grain.mean(axis=(0, 1))
    light[rows < 8] = np.minimum(light[rows < 8] * 8.0, 6.0)
    return np.asarray(light, np.float32)


def small_film(folder: Path, *, frames: int = 3, recipe: str = RECIPE) -> Path:
    """Plates and the recipe; returns the recipe's path."""
    for number in range(1, frames + 1):
        light = scene(number)
        planes = {name: light[..., i].astype(np.float16) for i, name in enumerate("RGB")}
        write_exr(folder / f"hot/wall/wall.{number:04d}.exr", planes)
        # ACEScct (Academy S-2016-001): log2 above its break
        code = np.clip((np.log2(np.maximum(light, 0.0079)) + 9.72) / 17.52, 0.0, 1.0)
        codes = np.rint(code * 1023.0).astype(np.uint16)
        write_dpx(
            folder / f"hot/door/door.{number:04d}.dpx",
            {name: codes[..., i] for i, name in enumerate("RGB")},
        )
    path = folder / "wall.yaml"
    path.write_text(recipe, encoding="utf-8")
    return path


def one_shot(folder: Path, plate: str) -> Path:
    """The recipe of a single shot, ``odd``; returns its path."""
    path = folder / "odd.yaml"
    path.write_text(
        'gradeprep: 1\ndefaults: {output: {plate: "out/{shot}.####.exr"}}\nshots:\n'
        f'  odd: {{plate: "{plate}", space: ACEScg}}\n',
        encoding="utf-8",
    )
    return path


@dataclass(frozen=True)
class Opened:
    """A desk that is being served, and a client that has entered.

    Attributes:
        desk: The desk.
        key: What opens it.
        client: A client with the cookie and the origin of the desk's own page.
    """

    desk: Desk
    key: Pass
    client: httpx.Client

    def get(self, path: str, **query: Any) -> httpx.Response:
        return self.client.get(path, params=query)

    def post(self, path: str, **body: Any) -> httpx.Response:
        return self.client.post(path, json=body)

    def recipe(self) -> dict[str, Any]:
        found: dict[str, Any] = self.get("/api/recipe").json()
        return found


@contextmanager
def opened_desk(recipe: Path, config: str | None = None) -> Iterator[Opened]:
    """A desk served by a real server on a free port of the loopback."""
    desk = Desk(recipe, config)
    listening = listen(0)
    key = Pass(f"{HOST}:{listening.getsockname()[1]}")
    stop = threading.Event()
    server = threading.Thread(target=serve, args=(desk, key, listening, stop))
    server.start()
    origin = f"http://{key.authority}"
    try:
        with httpx.Client(
            base_url=origin, headers={"Origin": origin}, timeout=60.0, trust_env=False
        ) as client:
            assert client.get("/", params={"token": key.token}).status_code == 200
            yield Opened(desk, key, client)
    finally:
        stop.set()
        server.join()

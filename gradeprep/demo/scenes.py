"""Three shots of an invented film about a boat yard, and the truth about their exposure.

Every picture is painted from numbers alone, scene-linear AP1 at normal exposure, with a grey card
and a 24-patch chart where a camera assistant would have put them. Exposed hot, the scenes stay
under the sensor's clip, all but sun glints and lamps.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from gradeprep.demo import loft as loft_scene
from gradeprep.demo import quay as quay_scene
from gradeprep.demo import slipway as slipway_scene
from gradeprep.demo.brushes import Canvas
from gradeprep.demo.chart import Rect, place
from gradeprep.demo.sensor import CAMERA, Picture, Sensor
from gradeprep.model.stops import LIMIT

__all__ = ["SHOTS", "SIZE", "DemoScene", "ShotTruth", "Size", "loft", "quay", "shoot", "slipway"]

Size = tuple[int, int]
"""Width and height in pixels; the pictures are composed for 16:9."""

SIZE: Size = (480, 270)
"""Size of the pictures by default."""


@dataclass(frozen=True, slots=True)
class DemoScene:
    """One moment in front of the camera.

    Attributes:
        name: Name of the shot.
        picture: H x W x 3 float32, scene-linear AP1 at normal exposure; read-only.
        card: Where the grey card stands.
        patches: Where the patches of the chart stand, in the order of ``chart.PATCHES``.
        shadow: A piece of deep shadow, most of it five to eight stops under grey.
    """

    name: str
    picture: Picture
    card: Rect
    patches: tuple[Rect, ...]
    shadow: Rect


Painter = Callable[[Size, int], DemoScene]


def slipway(size: Size = SIZE, frame: int = 0) -> DemoScene:
    """A planked hull on a slipway at noon; ``frame`` counts from 0."""
    return _scene("slipway_010", size, frame)


def loft(size: Size = SIZE, frame: int = 0) -> DemoScene:
    """A sail loft by a window; ``frame`` counts from 0."""
    return _scene("loft_020", size, frame)


def quay(size: Size = SIZE, frame: int = 0) -> DemoScene:
    """A moored boat at a quay, at dusk; ``frame`` counts from 0."""
    return _scene("quay_030", size, frame)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotTruth:
    """What nobody on a real set knows this exactly.

    Attributes:
        name: Name of the shot.
        painter: Paints its scene.
        stops: How hot the camera was set, for all of the shot.
        drift: Change of the scene's light, in stops, from the first frame to the last.
        first: Number of the first frame.
        count: Number of frames.
        format: ``exr``, or ``dpx`` for 10-bit logarithmic code values.
        timecode: SMPTE ST 12-1 label of the first frame.
        rate: Frames per second.
    """

    name: str
    painter: Painter
    stops: float
    drift: float = 0.0
    first: int = 1001
    count: int = 8
    format: str = "exr"
    timecode: str
    rate: str = "24"

    @property
    def frames(self) -> range:
        """Numbers of the frames."""
        return range(self.first, self.first + self.count)

    def light(self, frame: int) -> float:
        """Change of the light since the first frame, in stops; linear over the shot."""
        return self.drift * (frame - self.first) / (self.count - 1)

    def pull(self, frame: int) -> float:
        """The pull, in stops, that brings a frame of the hot shot to normal exposure."""
        return -(self.stops + self.light(frame))

    def scene(self, frame: int, size: Size = SIZE) -> DemoScene:
        """The scene at a frame, without the change of the light."""
        return self.painter(size, frame - self.first)


SHOTS: tuple[ShotTruth, ...] = (
    ShotTruth(name="slipway_010", painter=slipway, stops=3.0, timecode="11:58:20:00"),
    ShotTruth(name="loft_020", painter=loft, stops=2.0, timecode="14:06:41:12"),
    ShotTruth(
        name="quay_030",
        painter=quay,
        stops=1.5,
        drift=-0.6,
        format="dpx",
        timecode="19:47:03:08",
    ),
)
"""The film, in the order of the story."""


def shoot(
    shot: ShotTruth,
    frame: int,
    size: Size = SIZE,
    *,
    stops: float,
    seed: int,
    camera: Sensor = CAMERA,
) -> Picture:
    """The camera's record of a frame, in the light of that frame.

    Args:
        shot: The shot.
        frame: Number of the frame.
        size: Width and height.
        stops: The camera's setting over normal exposure: ``shot.stops`` as shot, 0 for normal.
        seed: Seed of the film's noise; shots, frames and settings still differ from each other.
        camera: The sensor.

    Returns:
        H x W x 3 float32, scene-linear AP1, ``2**(stops + light)`` brighter than the scene.
    """
    setting = round(1000.0 * (stops + LIMIT))
    noise_seed = (seed, zlib.crc32(shot.name.encode()), frame, setting)
    exposure = stops + shot.light(frame)
    return camera.expose(shot.scene(frame, size).picture, stops=exposure, seed=noise_seed)


_PAINTINGS = {
    "slipway_010": slipway_scene,
    "loft_020": loft_scene,
    "quay_030": quay_scene,
}


@lru_cache(maxsize=4)  # hot and normal exposure see the same moment, one after the other
def _scene(name: str, size: Size, frame: int) -> DemoScene:
    width, height = size
    if height < 54 or not 1.7 <= width / height <= 1.85:
        raise ValueError(
            f"the scenes are composed for 16:9 from 96 x 54 up, not {width} x {height}"
        )
    painting = _PAINTINGS[name]
    canvas = Canvas(size)
    painting.paint(canvas, frame)
    corner = (round(painting.TARGETS[0] * height), round(painting.TARGETS[1] * height))
    targets = place(canvas.picture, corner=corner, patch=height // 27)
    canvas.picture.setflags(write=False)
    x, y, side_by, down = (round(value * height) for value in painting.SHADOW)
    return DemoScene(name, canvas.picture, targets.card, targets.patches, (x, y, side_by, down))

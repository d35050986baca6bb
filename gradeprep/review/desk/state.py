"""All that a desk holds while it is open, and the work that its routes ask for."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gradeprep.checks.noisetable import NoiseTable
from gradeprep.clips.ceilings import Ceiling
from gradeprep.errors import GradeprepError
from gradeprep.handover.decided import of_recipe
from gradeprep.model.framerange import FrameRange
from gradeprep.model.recipe import Shot
from gradeprep.review.desk import overlay, reading, shader
from gradeprep.review.desk.bench import Bench
from gradeprep.review.desk.cache import Cache
from gradeprep.review.desk.document import RecipeDocument
from gradeprep.review.desk.frames import (
    DecodedFrame,
    Frames,
    UnknownError,
    numbers_of,
    plate_of,
    shot_of,
)
from gradeprep.review.desk.light import Area, CloseUp, Small, small
from gradeprep.review.desk.resolver import Resolver
from gradeprep.review.desk.session import Session
from gradeprep.review.desk.tones import sampled, tone_data
from gradeprep.review.desk.trial import StageTrial, change_of
from gradeprep.review.desk.work import Work
from gradeprep.review.imagebytes import encoded
from gradeprep.review.screen import Screen, shown_size

__all__ = ["Desk"]

_SMALL = 128 * 2**20
_SHADERS = 64 * 2**20
_PATIENCE = 1.0
"""Seconds that tones wait for the ceiling before they come without it."""

Ceilings = tuple[Ceiling | None, ...]


@dataclass
class Desk:
    """One recipe, open.

    Args:
        path: The recipe.
        config: The config of the command line, where the recipe names none.

    Raises:
        RequestError: The recipe or its colour is wrong.
    """

    path: Path
    config: str | None = None

    def __post_init__(self) -> None:
        self.session = Session(self.path)
        self.frames = Frames(self.config)
        self.resolver = Resolver(self.config)
        self.work = Work(self.config)
        self.teller = RecipeDocument()
        self._bench = Bench.of(self.session.now.recipe, self.session.folder, self.config)
        self._revision = self.session.now.revision
        self._small: Cache[Small] = Cache(_SMALL, lambda it: it.bytes)
        self._shaders: Cache[shader.Shader] = Cache(_SHADERS, lambda it: it.bytes)
        self._screens: Cache[Screen] = Cache(16, lambda _: 1)
        self._ceilings: Cache[Ceilings] = Cache(256, lambda _: 1)
        self._noise: Cache[NoiseTable] = Cache(64, lambda _: 1)
        self._looking = ThreadPoolExecutor(1, "ceilings")
        self.resolver.want(self._bench)

    @property
    def bench(self) -> Bench:
        """The recipe as it is loaded now, with its colour."""
        now = self.session.now
        if now.revision != self._revision:
            self._bench = Bench.of(now.recipe, self.session.folder, self.config)
            self._revision = now.revision
            self._shaders.clear()
            self._screens.clear()
            self.resolver.want(self._bench)
        return self._bench

    def close(self) -> None:
        """End what runs in the background; a shot that is being run is stopped and waited for."""
        self.work.stop()
        self.resolver.stop()
        self._looking.shutdown(wait=False, cancel_futures=True)
        self.work.join()

    def recipe(self) -> dict[str, Any]:
        """The recipe as plain data."""
        return self.teller.recipe(self.session, self.bench, self.resolver)

    def save(self, revision: str, shots: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
        """Write other stages into the recipe; the recipe as it is then."""
        for name in shots:
            shot_of(self.bench.recipe, name)
        changes = {name: change_of(name, found) for name, found in shots.items()}
        self.session.save(changes, revision=revision)
        return self.recipe()

    def undo(self, revision: str) -> dict[str, Any]:
        """Take the last save back; the recipe as it is then."""
        self.session.undo(revision=revision)
        return self.recipe()

    def reload(self) -> dict[str, Any]:
        """Reload the recipe."""
        before = self.session.now
        self.session.reload()
        try:
            return self.recipe()
        except Exception:
            self.session.now = before  # its colour does not load: what was there goes on
            raise

    def run(self, shot: str) -> None:
        """Begin to run a shot as the recipe on disk says."""
        shot_of(self.bench.recipe, shot)
        now = self.session.expect_unchanged()
        self.work.start(now.recipe, self.session.folder, shot)

    def small(self, shot: str, frame: int, area: Area) -> Small:
        """A frame at the size of a screen, or a place of it."""
        seen = self._seen(shot, frame)
        return self._small.get((seen.key, area), lambda: small(seen, area))

    def shader(self, display: str, view: str) -> shader.Shader:
        """A view as a shader."""
        bench = self.bench
        return self._shaders.get((display, view), lambda: shader.shader(bench, display, view))

    def picture(
        self, shot: str, frame: int, area: Area, tried: StageTrial, display: str, view: str
    ) -> bytes:
        """A frame as the server draws it."""
        light = self.small(shot, frame, area)
        ask = shot_of(self.bench.recipe, shot)
        bench = self.bench
        screen = self._screens.get((display, view), lambda: bench.screen(display, view))
        broken = light.absent if light.absent.any() else None
        made = screen.picture(tried.applied(light.light, ask, bench.weights), broken=broken)
        return encoded(made, "png")

    def clip(self, shot: str, frame: int, area: Area) -> tuple[bytes, str]:
        """The clip overlay of a frame as a PNG of one channel, and one line on it."""
        seen = self._seen(shot, frame)
        found = self._ceilings_of(shot)
        recorded = seen.recorded
        whole = (recorded.shape[0], recorded.shape[1])
        if isinstance(area, CloseUp):
            within = area.within(whole)
            rows, columns = recorded[within].shape[:2]
            counts = overlay.clipped(recorded, found, (rows, columns), within)
        else:
            counts = overlay.clipped(recorded, found, shown_size(whole, area))
        return encoded(counts[..., None]), overlay.clip_note(found)

    def noise(self, shot: str, frame: int, area: Area) -> tuple[bytes, str]:
        """The noise overlay of a frame as a PNG of one channel, and one line on it."""
        light = self.small(shot, frame, area)
        key = (*self._plate_key(shot), frame)

        def measure() -> NoiseTable:
            recipe, folder = self.bench.recipe, self.session.folder
            plate = plate_of(recipe.shots[shot], folder)
            pair = [n for n in (frame, frame + 1) if n in plate.frames]
            view = self.frames.view(recipe, folder, shot, FrameRange.of(pair))
            return overlay.noise_of(view, frame)

        table = self._noise.get(key, measure)
        stops = overlay.snr_stops(light.light, self.bench.weights, table)
        return encoded(overlay.snr_bytes(stops)[..., None]), overlay.snr_note(table)

    def tones(self, shot: str, frame: int, tried: StageTrial) -> dict[str, Any]:
        """The tones of a frame before and after a decision."""
        seen = self._seen(shot, frame)
        ask = shot_of(self.bench.recipe, shot)
        found, note = self._soon(shot)
        return tone_data(sampled(seen), ask, tried, self.bench.weights, found, note)

    def reading(self, shot: str, meter: str, params: Mapping[str, Any]) -> dict[str, Any]:
        """What a meter reads."""
        recipe = self.bench.recipe
        shot_of(recipe, shot)
        data = {key: value for key, value in params.items() if key not in ("meter", "per_frame")}
        reading.refuse_files(recipe, shot, meter, data)
        view = self.frames.view(recipe, self.session.folder, shot)
        return reading.read(view, meter, data, per_frame=bool(params.get("per_frame")))

    def report(self, shot: str) -> tuple[str, str]:
        """The report of a shot's sidecar, and the policy that it is served under."""
        recipe = self.bench.recipe
        ask = shot_of(recipe, shot)
        only = replace(recipe, shots={shot: ask})
        sidecars = [one.sidecar for one in of_recipe(only, self.session.folder)]
        from gradeprep.review.report import policy, report_html  # with all that plots

        return report_html(sidecars, config=self.config), policy()

    def _seen(self, shot: str, frame: int) -> DecodedFrame:
        recipe, folder = self.bench.recipe, self.session.folder
        ask = shot_of(recipe, shot)
        numbers = numbers_of(ask, plate_of(ask, folder))
        if frame not in numbers and not self.teller.knew(shot, frame):
            raise UnknownError(f"has no frame {frame}", shot=shot, remedy=f"it has {numbers}")
        return self.frames.seen(recipe, folder, shot, frame)

    def _plate_key(self, shot: str) -> tuple[Any, ...]:
        """What shows whether a plate is still the one that was read."""
        ask: Shot = shot_of(self.bench.recipe, shot)
        plate = plate_of(ask, self.session.folder)
        numbers = numbers_of(ask, plate)
        ends = [plate.path(n).stat() for n in (numbers.first, numbers.last) if n in plate.frames]
        stamps = tuple((found.st_mtime_ns, found.st_size) for found in ends)
        return (shot, ask.plate, str(numbers), ask.space, ask.layers, repr(ask.checks), stamps)

    def _ceilings_of(self, shot: str) -> Ceilings:
        def look() -> Ceilings:
            recipe = self.bench.recipe
            view = self.frames.view(recipe, self.session.folder, shot)
            return overlay.ceilings_of(view, recipe.shots[shot])

        return self._ceilings.get(self._plate_key(shot), look)

    def _soon(self, shot: str) -> tuple[Ceilings | None, str]:
        """The ceilings of a shot, or none yet where they take longer than a page waits; or why."""
        try:
            return self._looking.submit(self._ceilings_of, shot).result(_PATIENCE), ""
        except TimeoutError:
            return None, ""
        except GradeprepError as error:
            return None, str(error.at(shot=shot))

"""The numbers behind a recipe's meters, read one shot after the other while the page is open."""

from __future__ import annotations

import threading
from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.model.exposure import Keys, MeterAsk
from gradeprep.model.recipe import Recipe
from gradeprep.pipeline.plan import open_settled
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.stagenumbers import StageNumbers
from gradeprep.review.desk.bench import Bench

__all__ = ["Resolved", "Resolver", "meters_of"]


@dataclass(frozen=True, slots=True)
class Resolved:
    """What the meters of a shot came to.

    Attributes:
        pull: Frame to stops; one key where one number holds for all frames.
        balance: Stops for R, G and B, where the recipe asks for a balance.
        error: Why there is no number, in one line.
    """

    pull: tuple[tuple[int, float], ...] = ()
    balance: tuple[float, float, float] | None = None
    error: str = ""


@dataclass
class Resolver:
    """Runs meters on a thread of its own; a shot that was read once is not read again until
    something that it depends on changes.

    Args:
        config: The config of the command line, where the recipe names none.
    """

    config: str | None = None
    _found: dict[Hashable, Resolved] = field(init=False, default_factory=dict)
    _wanted: Bench | None = field(init=False, default=None)
    _lock: threading.Lock = field(init=False, default_factory=threading.Lock)
    _thread: threading.Thread | None = field(init=False, default=None)

    def want(self, bench: Bench) -> None:
        """Read what the meters of this recipe say; what was wanted before is dropped."""
        with self._lock:
            self._wanted = bench
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._work, daemon=True)
                self._thread.start()

    def of(self, recipe: Recipe, shot: str) -> Resolved | None:
        """What a shot's meters came to, None where nobody has read them yet."""
        return self._found.get(_key(recipe, shot))

    def stop(self) -> None:
        """Begin no other shot."""
        with self._lock:
            self._wanted = None

    def _work(self) -> None:
        while True:
            with self._lock:
                bench = self._wanted
                shot = None if bench is None else self._next(bench)
                if bench is None or shot is None:
                    self._thread = None
                    return
            self._found[_key(bench.recipe, shot)] = self._read(bench, shot)

    def _next(self, bench: Bench) -> str | None:
        for shot in bench.recipe.shots:
            if meters_of(bench.recipe, shot) and _key(bench.recipe, shot) not in self._found:
                return shot
        return None

    def _read(self, bench: Bench, shot: str) -> Resolved:
        try:
            settled = open_settled(bench.recipe, bench.folder, Options(self.config))(shot)
            return _resolved(settled)
        except GradeprepError as error:
            return Resolved(error=str(error.at(shot=shot)))
        except Exception as error:  # a plugin's fault must not end the thread
            return Resolved(error=f"{shot}: {type(error).__name__}: {error}")


def meters_of(recipe: Recipe, shot: str) -> dict[str, MeterAsk]:
    """Stage to the meter that it asks."""
    asks = ((ask.stage, getattr(ask.params, "stops", None)) for ask in recipe.shots[shot].stages)
    return {stage: ask for stage, ask in asks if isinstance(ask, MeterAsk)}


def _key(recipe: Recipe, shot: str) -> str:
    """All that decides a shot's readings, those of the shots it is compared with among it."""
    data: dict[str, Any] = {}
    waiting = [shot]
    while waiting:
        name = waiting.pop()
        if name in data or name not in recipe.shots:
            continue
        data[name] = recipe.shots[name]
        waiting += [str(ask.params.get("shot")) for ask in meters_of(recipe, name).values()]
    return repr((recipe.colour, data))


def _resolved(settled: StageNumbers) -> Resolved:
    pull: tuple[tuple[int, float], ...] = ()
    balance = None
    for ask in settled.stages:
        stops = getattr(ask.params, "stops", None)
        if ask.stage == "pull" and isinstance(stops, Keys):
            pull = tuple(sorted(stops.at.items()))
        elif ask.stage == "pull" and isinstance(stops, float):
            pull = ((0, stops),)
        elif ask.stage == "balance" and isinstance(stops, tuple):
            balance = stops
    return Resolved(pull, balance)

"""All shots of a scene measured against one hero, through whatever pairs can be measured.

Pairs tried: every shot with the hero, every shot with the one before it, every pair that the
recipe itself names with the meter ``reference``, and every two shots that the recipe reads a grey
card in. A pair is compared over the whole frame where the framing is the same, else by its
distributions of tones; a pair without an honest number is named and left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

from gradeprep.errors import GradeprepError
from gradeprep.model.exposure import MeterAsk
from gradeprep.model.recipe import Recipe, Shot, StageAsk
from gradeprep.model.record import Reading
from gradeprep.pipeline.metering import read_plate
from gradeprep.pipeline.scene import Pair, Scene, solve_scene
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed

__all__ = ["Scenery", "measure_scene", "undecided"]

_MODES = ("frame", "tones")


@dataclass(frozen=True, slots=True)
class Scenery:
    """A scene solved, and what it rests on.

    Attributes:
        scene: Stops for every shot, the hero's own decision among them.
        pairs: Shot to the number of readings it takes part in.
        failed: Pairs that gave no reading, in words.
    """

    scene: Scene
    pairs: Mapping[str, int]
    failed: tuple[str, ...]


def undecided(recipe: Recipe) -> Recipe:
    """The recipe with every shot left as it was recorded, so that plates compare as they are."""
    pull = installed().get("stages", "pull")
    still = (StageAsk(stage="pull", params=pull.Params(stops=0.0)),)
    shots = {
        name: replace(shot, stages=still, allow_pulled=True) for name, shot in recipe.shots.items()
    }
    return replace(recipe, shots=shots)


def measure_scene(
    recipe: Recipe, view: Callable[[str], PlateView], *, hero: str, stops: float
) -> Scenery:
    """Measure the pairs and solve them together.

    Args:
        recipe: The scene's recipe, for the pairs and regions it names.
        view: Gives a shot's plate as it was recorded (see `undecided`).
        hero: The shot that the others are brought to.
        stops: The hero's own pull, in stops.

    Raises:
        RequestError: A shot that no reading connects to the hero.
    """
    pairs: list[Pair] = []
    failed: list[str] = []
    for shot, reference, asks in _wanted(recipe, hero):
        found = _first(view, shot, asks)
        if isinstance(found, Reading):
            pairs.append(Pair(shot, reference, found.stops, found.sigma))
        else:
            failed.append(f"{shot} against {reference}: {found}")
    cards, without = _cards(recipe, view)
    pairs.extend(cards)
    scene = solve_scene(pairs, hero=hero)
    shots = {
        name: replace(solved, stops=solved.stops + stops) for name, solved in scene.shots.items()
    }
    alone = [name for name in recipe.shots if name not in scene.shots]
    failed.extend(f"{name}: nothing connects it to {hero}" for name in alone)
    counts = {name: sum(name in (p.shot, p.reference) for p in pairs) for name in scene.shots}
    return Scenery(replace(scene, shots=shots), counts, (*failed, *without))


Asks = list[dict[str, Any]]


def _wanted(recipe: Recipe, hero: str) -> Iterator[tuple[str, str, Asks]]:
    """Pairs to compare, each with the ways to try, best first."""
    named: dict[tuple[str, str], Asks] = {}
    for name, settings in recipe.shots.items():
        for ask in _asks(settings, "reference"):
            named.setdefault((name, str(ask["shot"])), []).append(ask)
    neighbours = [(later, earlier) for earlier, later in pairwise(recipe.shots)]
    with_hero = [(name, hero) for name in recipe.shots if name != hero]
    for pair in dict.fromkeys((*named, *with_hero, *neighbours)):
        shot, reference = pair
        if (reference, shot) in named and pair not in named:
            continue
        whole = [{"shot": reference, "mode": mode} for mode in _MODES]
        yield shot, reference, [*named.get(pair, []), *whole]


def _asks(shot: Shot, meter: str) -> Iterator[dict[str, Any]]:
    for stage in shot.stages:
        for key in type(stage.params).model_fields:
            ask = getattr(stage.params, key)
            if isinstance(ask, MeterAsk) and ask.meter == meter:
                yield ask.params


def _first(view: Callable[[str], PlateView], shot: str, asks: Asks) -> Reading | str:
    """The reading of the first way that works, or the reasons why none does."""
    reasons = []
    for ask in asks:
        try:
            return read_plate(view(shot), "reference", ask)
        except GradeprepError as error:
            reasons.append(f"{ask.get('mode', 'region')}: {error.what}")
    return "; ".join(dict.fromkeys(reasons))


def _cards(recipe: Recipe, view: Callable[[str], PlateView]) -> tuple[list[Pair], tuple[str, ...]]:
    """Two shots with a grey card each compare through their cards."""
    readings: dict[str, Reading] = {}
    failed = []
    for name, shot in recipe.shots.items():
        for ask in _asks(shot, "grey_card"):
            try:
                readings[name] = read_plate(view(name), "grey_card", ask)
            except GradeprepError as error:
                failed.append(f"the grey card of {name}: {error.what}")
    pairs = [
        Pair(one, other, a.stops - b.stops, (a.sigma**2 + b.sigma**2) ** 0.5)
        for (one, a), (other, b) in combinations(readings.items(), 2)
    ]
    return pairs, tuple(failed)

"""Scenes solved from pair readings: closed forms, random scenes of known truth, wrong readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gradeprep.errors import RequestError
from gradeprep.pipeline.scene import Pair, Scene, solve_scene


def solve(*pairs, hero="hero") -> Scene:
    return solve_scene([Pair(*pair) for pair in pairs], hero=hero)


def random_scene(seed, *, shots, extra, least=0.02, most=0.1):
    """A tree of readings and ``extra`` more for each shot; the truth, and noisy readings of it."""
    random = np.random.default_rng(seed)
    truth = {f"s{index}": float(random.uniform(-4, 1)) for index in range(shots)} | {"s0": 0.0}
    edges = [(index, int(random.integers(0, index))) for index in range(1, shots)]
    edges += [tuple(random.choice(shots, 2, replace=False)) for _ in range(extra * shots)]
    pairs = []
    for a, b in edges:
        sigma = float(random.uniform(least, most))
        stops = truth[f"s{a}"] - truth[f"s{b}"] + float(random.normal(0.0, sigma))
        pairs.append(Pair(f"s{a}", f"s{b}", stops, sigma))
    return truth, pairs, random


def test_one_reading_is_the_answer():
    found = solve(("a", "hero", -1.5, 0.1))
    assert found.shots["a"].stops == pytest.approx(-1.5, abs=1e-12)
    assert found.shots["a"].sigma == pytest.approx(0.1, abs=1e-12)
    assert (found.shots["hero"].stops, found.shots["hero"].sigma) == (0.0, 0.0)
    assert (found.outliers, found.scale, found.warnings) == ((), 1.0, ())


def test_a_reading_told_the_other_way_round_is_the_same():
    assert solve(("hero", "a", 1.5, 0.1)).shots["a"].stops == pytest.approx(-1.5, abs=1e-12)


def test_a_chain_adds_stops_and_squares_of_sigmas():
    found = solve(("a", "hero", -1.0, 0.03), ("b", "a", 0.25, 0.04))
    assert found.shots["b"].stops == pytest.approx(-0.75, abs=1e-12)
    assert found.shots["b"].sigma == pytest.approx(0.05, abs=1e-12)


def test_two_readings_of_one_pair_are_their_weighted_mean():
    found = solve(("a", "hero", -1.0, 0.1), ("a", "hero", -1.2, 0.2))
    assert found.shots["a"].stops == pytest.approx((-1.0 * 100 - 1.2 * 25) / 125, abs=1e-12)
    assert found.shots["a"].sigma == pytest.approx(math.sqrt(1 / 125), abs=1e-12)


def test_a_triangle_shares_what_does_not_add_up():
    # Equal sigmas: a third of the misclosure on each side; variance 2/3 of a reading's.
    found = solve(("a", "hero", -1.0, 0.1), ("b", "hero", -2.0, 0.1), ("b", "a", -1.09, 0.1))
    assert found.shots["a"].stops == pytest.approx(-0.97, abs=1e-12)
    assert found.shots["b"].stops == pytest.approx(-2.03, abs=1e-12)
    assert found.shots["a"].sigma == pytest.approx(0.1 * math.sqrt(2 / 3), abs=1e-12)


def test_truth_is_within_three_sigmas():
    inside = count = 0
    for seed in range(100):
        truth, pairs, _ = random_scene(seed, shots=3 + seed % 9, extra=seed % 4)
        found = solve_scene(pairs, hero="s0")
        off = [abs(found.shots[name].stops - truth[name]) for name in truth if name != "s0"]
        sigma = [found.shots[name].sigma for name in truth if name != "s0"]
        inside += sum(a <= 3.0 * b for a, b in zip(off, sigma, strict=True))
        count += len(off)
    assert inside / count >= 0.99
    assert count > 500


def test_a_reading_that_is_a_stop_wrong_is_named_and_moves_nothing():
    for seed in range(60):
        _, pairs, random = random_scene(seed, shots=8, extra=3, most=0.05)
        good = solve_scene(pairs, hero="s0")
        index = int(random.integers(7, len(pairs)))
        it = pairs[index]
        wrong = Pair(it.shot, it.reference, it.stops + 1.0, it.sigma)
        found = solve_scene([*pairs[:index], wrong, *pairs[index + 1 :]], hero="s0")
        assert [outlier.pair for outlier in found.outliers] == [wrong]
        assert found.outliers[0].residual == pytest.approx(1.0, abs=0.25)
        assert found.outliers[0].sigmas > 8.0
        for name, answer in found.shots.items():
            assert abs(answer.stops - good.shots[name].stops) <= 0.05
        without = solve_scene([*pairs[:index], *pairs[index + 1 :]], hero="s0")
        for name, answer in found.shots.items():
            assert answer.stops == pytest.approx(without.shots[name].stops, abs=1e-12)
            assert answer.sigma == pytest.approx(without.shots[name].sigma, abs=1e-12)


def test_the_residual_is_told_in_sigmas_of_the_difference():
    good = [("a", "hero", -1.0, 0.1)] * 4
    (outlier,) = solve(*good, ("a", "hero", 0.0, 0.1)).outliers
    assert outlier.residual == pytest.approx(1.0, abs=1e-12)
    assert outlier.sigmas == pytest.approx(1.0 / math.hypot(0.1, 0.05), abs=1e-9)


def test_where_nothing_says_which_reading_is_wrong_that_is_told():
    found = solve(("a", "hero", -1.0, 0.05), ("b", "hero", -2.0, 0.05), ("b", "a", 0.0, 0.05))
    assert found.outliers == ()
    assert found.warnings[0] == (
        "one of these readings is wrong, and nothing says which: "
        "a against hero or b against hero or b against a"
    )
    assert found.scale == pytest.approx(1.0 / math.sqrt(3) / 0.05)  # misclosure over its sigma
    assert found.shots["a"].sigma == pytest.approx(found.scale * 0.05 * math.sqrt(2 / 3))


def test_a_doubt_in_one_corner_does_not_hide_a_wrong_reading_in_another():
    corner = [("a", "hero", -1.0, 0.05), ("b", "hero", -2.0, 0.05), ("b", "a", 0.0, 0.05)]
    rest = [("c", "hero", -1.0, 0.05)] * 5
    found = solve(*corner, *rest, ("c", "hero", -2.0, 0.05))
    assert [(it.pair.shot, it.pair.stops) for it in found.outliers] == [("c", -2.0)]
    assert "nothing says which" in found.warnings[0]


def test_a_reading_that_alone_joins_two_groups_is_kept():
    found = solve(*[("a", "hero", -1.0, 0.01)] * 3, ("b", "a", 7.0, 0.01))
    assert found.outliers == ()
    assert found.shots["b"].stops == pytest.approx(6.0, abs=1e-12)


def test_sigmas_that_are_too_small_throughout_grow():
    random = np.random.default_rng(3)
    pairs = [Pair("a", "hero", -1.0 + float(random.normal(0.0, 0.1)), 0.02) for _ in range(60)]
    found = solve_scene(pairs, hero="hero")
    assert found.outliers == ()
    assert found.scale == pytest.approx(5.0, rel=0.2)
    assert found.shots["a"].sigma == pytest.approx(0.1 / math.sqrt(60), rel=0.2)


@pytest.mark.parametrize(
    ("pairs", "complaint"),
    [
        ([("a", "b", 0, 0.1)], "no reading connects a, b to the hero hero; read a pair that joins"),
        (
            [("a", "hero", 0, 0.1), ("d", "c", 0, 0.1)],
            "no reading connects c, d to the hero hero; read a pair that joins them",
        ),
        ([], "no reading links the hero hero and another shot"),
        ([("a", "a", 0, 0.1)], "a against a: a shot cannot be read against itself"),
        ([("a", "hero", 0, 0.0)], "a against hero: a sigma must be above zero, not 0.0"),
        ([("a", "hero", 0, math.inf)], "a against hero: a sigma must be above zero, not inf"),
        ([("a", "hero", math.nan, 0.1)], "a against hero: nan is not a number of stops"),
    ],
)
def test_what_cannot_be_solved(pairs, complaint):
    with pytest.raises(RequestError) as caught:
        solve(*pairs)
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)

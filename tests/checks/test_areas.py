"""Connected areas, against a flood fill written plainly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from gradeprep.checks.areas import find


def flooded(mask):
    left = {tuple(place) for place in np.argwhere(mask)}
    found = []
    while left:
        area, waiting = set(), [left.pop()]
        while waiting:
            y, x = waiting.pop()
            area.add((y, x))
            near = {(y + j, x + i) for j in (-1, 0, 1) for i in (-1, 0, 1)} & left
            left -= near
            waiting.extend(near)
        ys, xs = zip(*area, strict=True)
        found.append((len(area), min(xs), min(ys), max(xs) - min(xs) + 1, max(ys) - min(ys) + 1))
    return sorted(found)


@given(arrays.arrays(np.bool_, st.tuples(st.integers(1, 12), st.integers(1, 12))))
def test_agrees_with_a_flood_fill(mask):
    found = find(mask)
    assert sorted(map(tuple, np.column_stack([found.pixels, found.boxes]).tolist())) == flooded(
        mask
    )
    assert found.pixels.tolist() == sorted(found.pixels.tolist(), reverse=True)


def test_follows_a_spiral():
    mask = np.zeros((9, 9), bool)
    mask[0] = mask[:, 8] = mask[8] = mask[2:, 0] = mask[2, :7] = mask[2:7, 6] = mask[6, 2:7] = True
    assert find(mask).largest == (int(mask.sum()), (0, 0, 9, 9))


@pytest.mark.parametrize("shape", [(0, 0), (0, 5), (3, 4)])
def test_nothing_set_has_no_area(shape):
    assert find(np.zeros(shape, bool)).largest == (0, (0, 0, 0, 0))

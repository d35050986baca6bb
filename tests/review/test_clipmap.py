"""The clip map: hatched where the mask says, in the hand of each channel, and nowhere else."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.checks.clipping import Ceiling
from gradeprep.review.clipmap import CHANNEL_INKS, ceiling_text, clip_map, hatching, share_text

PAPER = (250, 250, 250)


@given(seed=st.integers(0, 999), share=st.sampled_from([0.0, 0.02, 0.5, 1.0]))
def test_the_map_marks_the_mask_and_nothing_else(seed, share):
    rng = np.random.default_rng(seed)
    picture = rng.integers(0, 256, (24, 36, 3), np.uint8)
    mask = rng.random((24, 36, 3)) < share
    found = clip_map(picture, mask).astype(int)
    grey = (found == found[..., :1]).all(axis=2) & (found[..., 0] >= 30) & (found[..., 0] <= 165)
    np.testing.assert_array_equal(~grey, mask.any(axis=2))


@pytest.mark.parametrize(
    "clipped", [c for n in (1, 2, 3) for c in itertools.combinations("RGB", n)]
)
def test_each_channel_has_its_ink_and_its_hand(clipped):
    mask = np.zeros((36, 36, 3), bool)
    for channel in clipped:
        mask[..., "RGB".index(channel)] = True
    found = clip_map(np.full((36, 36, 3), 128, np.uint8), mask)
    inks = {tuple(ink) for ink in found.reshape(-1, 3).tolist()}
    assert inks == {PAPER, *(CHANNEL_INKS[channel] for channel in clipped)}
    rows, columns = np.indices((36, 36))
    hands = {"R": rows + columns, "G": columns - rows, "B": rows}
    for channel in clipped:  # along its own direction an ink runs on unless another crosses it
        ink = (found == CHANNEL_INKS[channel]).all(axis=2)
        assert set(np.unique(hands[channel][ink] % 6)) <= {0, 1}


def test_strokes_take_a_third_of_the_paper():
    for strokes in hatching((60, 60)).values():
        assert strokes.mean() == pytest.approx(1 / 3)


def test_a_speck_stays_when_the_picture_is_small():
    mask = np.zeros((90, 160, 3), bool)
    mask[47, 101, 2] = True
    found = clip_map(np.full((9, 16, 3), 128, np.uint8), mask)
    odd = (found != found[0, 0]).any(axis=2)
    assert np.argwhere(odd).tolist() == [[4, 10]]


def test_the_inks_are_those_that_were_published():
    sequences = pytest.importorskip("matplotlib").color_sequences
    if "okabe_ito" not in sequences:
        pytest.skip("this matplotlib does not have them")
    published = {tuple(round(255 * v) for v in ink) for ink in sequences["okabe_ito"]}
    assert set(CHANNEL_INKS.values()) <= published


def test_words():
    one = Ceiling("plateau", 12.0, 11.9, 6.06)
    other = Ceiling("encodable", 1.0, 0.9995, 8.0)
    assert ceiling_text((one, one, other)) == (
        "RG end at +6.06 stops from grey (the plate's own plateau); "
        "B ends at +8.00 stops from grey (the end of the encoding)"
    )
    mask = np.zeros((100, 200, 3), bool)
    assert share_text(mask) == "nothing is clipped"
    mask[:50, :, 0] = True
    mask[0, 0, 2] = True
    assert share_text(mask) == "clipped: 50.00% of R, 1 pixels of B"

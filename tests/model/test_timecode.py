"""Timecode arithmetic (SMPTE ST 12-1)."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.timecode import breaks, count, day, label, rate

NTSC = Fraction(30000, 1001)


@pytest.mark.parametrize(
    ("text", "nominal", "frames"),
    [
        ("01:00:00:00", 24, 86_400),
        ("00:00:59;29", 30, 1799),
        ("00:01:00;02", 30, 1800),  # labels 00 and 01 are left out
        ("00:10:00;00", 30, 17_982),  # but not in every tenth minute
        ("01:00:00;00", 30, 107_892),  # 18 x 6 labels an hour are left out: 108 of 108,000
        ("00:01:00;04", 60, 3600),
        ("00:09:59;29", 30, 17_981),
        ("01:00:00;00", 60, 215_784),
        ("10:00:00;00", 30, 1_078_920),
    ],
)
def test_counts_as_the_standard_does(text, nominal, frames):  # SMPTE ST 12-1, drop-frame
    assert count(text, nominal) == frames
    assert label(frames, nominal, drop=";" in text) == text


@pytest.mark.parametrize(
    ("nominal", "drop", "frames"),
    [
        (24, False, 2_073_600),
        (25, False, 2_160_000),
        (30, False, 2_592_000),
        (30, True, 2_589_408),  # 108 labels an hour are left out
        (48, False, 4_147_200),
        (50, False, 4_320_000),
        (60, True, 5_178_816),
    ],
)
def test_frames_of_a_day(nominal, drop, frames):  # SMPTE ST 12-1
    mark = ";" if drop else ":"
    assert day(nominal, drop=drop) == frames
    assert count(f"23:59:59{mark}{nominal - 1}", nominal) == frames - 1
    assert label(frames, nominal, drop=drop) == f"00:00:00{mark}00"


@pytest.mark.parametrize(
    ("text", "nominal"),
    [
        ("00:01:00;00", 30),
        ("00:01:00;01", 30),
        ("00:00:00:24", 24),
        ("00:00:00;00", 25),  # drop-frame is of 30 and 60 only
        ("24:00:00:00", 24),
        ("00:60:00:00", 24),
        ("nonsense", 24),
    ],
)
def test_a_label_that_does_not_exist_counts_nothing(text, nominal):
    assert count(text, nominal) is None


@given(st.integers(0, 10**7), st.sampled_from([(24, False), (25, False), (30, True), (60, True)]))
def test_every_count_has_its_label(frames, kind):
    nominal, drop = kind
    day = (
        24 * (3600 * nominal - (18 * 6 * nominal // 30 if drop else 0))
        if drop
        else 86_400 * nominal
    )
    assert count(label(frames, nominal, drop=drop), nominal) == frames % day


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("24", 24),
        ("24000/1001", Fraction(24000, 1001)),
        ("23.98", Fraction(24000, 1001)),
        ("29.97", NTSC),
        ("0", None),
        ("-24", None),
        ("1/0", None),
        ("fast", None),
        ("1e9", None),
    ],
)
def test_rates(text, expected):
    assert rate(text) == expected


def labels(start, frames, nominal, *, drop=False, step=1):
    first = count(start, nominal)
    return {n: label(first + step * (n - frames[0]), nominal, drop=drop) for n in frames}


def test_labels_that_follow_each_other_do_not_break():
    assert breaks(labels("23:59:59:20", range(1001, 1050), 24), Fraction(24)) == {}
    assert breaks(labels("00:00:59;20", range(1001, 1050), 30, drop=True), NTSC) == {}
    assert breaks(labels("10:00:00:00", range(1001, 1100, 2), 24), Fraction(24)) == {}


def test_a_jump_breaks_once():
    told = labels("10:00:00:00", range(1, 21), 24)
    jumped = {
        n: text if n < 11 else label(count(text, 24) + 5, 24, drop=False)
        for n, text in told.items()
    }
    assert breaks(jumped, Fraction(24)) == {11: "10:00:00:10"}


def test_plain_counting_where_drop_frame_leaves_out_is_a_break():
    told = {1: "00:00:59;29", 2: "00:01:00;00", 3: "00:01:00;02"}
    assert 2 in breaks(told, NTSC)


def test_over_thirty_a_label_may_stand_for_two_frames():  # ST 12-1: frame pairs
    pairs = {n: label(n // 2, 25, drop=False) for n in range(101, 140)}
    assert breaks(pairs, Fraction(50)) == {}
    assert breaks(labels("01:00:00:00", range(9, 99), 50), Fraction(50)) == {}
    assert breaks({**pairs, 120: pairs[118]}, Fraction(50)) != {}

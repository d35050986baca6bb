"""A shot's frames as counts: SMPTE ST 12-1 labels at exact rates, pairs, jumps, none at all."""

from __future__ import annotations

from fractions import Fraction

import pytest
from handed import told

from gradeprep.errors import RequestError
from gradeprep.handover.media import Media, media_of


def labels(*texts: str | None, first: int = 1001) -> dict[int, str | None]:
    return {first + index: text for index, text in enumerate(texts)}


@pytest.mark.parametrize(
    ("rate", "texts", "origin", "exact", "drop"),
    [
        ("24", ("01:00:00:00", "01:00:00:01"), 86_400, Fraction(24), False),
        ("24000/1001", ("01:00:00:00",), 86_400, Fraction(24000, 1001), False),
        ("23.976", ("01:00:00:00",), 86_400, Fraction(24000, 1001), False),
        ("25", ("10:00:00:24", "10:00:01:00"), 900_024, Fraction(25), False),
        # ST 12-1: of a minute the first two labels are left out, of the tenth none
        ("30000/1001", ("00:00:59;29", "00:01:00;02"), 1799, Fraction(30000, 1001), True),
        ("30000/1001", ("01:00:00;00",), 107_892, Fraction(30000, 1001), True),
        ("30000/1001", ("01:00:00:00",), 108_000, Fraction(30000, 1001), False),
        ("60000/1001", ("00:00:59;59", "00:01:00;04"), 3599, Fraction(60000, 1001), True),
        ("48", ("01:00:00:47", "01:00:01:00"), 172_847, Fraction(48), False),
        # over 30 a second a label may stand for two frames
        ("48", ("01:00:00:00", "01:00:00:00", "01:00:00:01"), 172_800, Fraction(48), False),
        ("48", ("01:00:00:00", "01:00:00:01", "01:00:00:01"), 172_801, Fraction(48), False),
        ("24", ("23:59:59:23", "00:00:00:00"), 2_073_599, Fraction(24), False),
    ],
)
def test_counts(rate, texts, origin, exact, drop, tmp_path):
    shot = told(tmp_path, labels(*texts), rate=rate)
    media = media_of(shot.record, None)
    assert media == Media(exact, 1001, 1000 + len(texts), origin, drop)
    assert media.count(1001) == origin


def test_labels_come_back(tmp_path):
    media = media_of(told(tmp_path, labels("00:00:59;29"), rate="30000/1001").record, None)
    assert [media.label(frame) for frame in (1001, 1002)] == ["00:00:59;29", "00:01:00;02"]


@pytest.mark.parametrize(
    ("texts", "note"),
    [
        ((None, None), "no timecode: its frames are counted by their numbers"),
        (
            ("01:00:00:00", None),
            "frames without timecode among its frames: they are counted by their numbers",
        ),
        (
            ("01:00:00:00", "01:00:00:05"),
            "its timecode jumps at frame 1002: counted by frame numbers",
        ),
        (
            ("01:00:00:30", "01:00:00:31"),
            "its timecode jumps at frame 1001: counted by frame numbers",
        ),
    ],
)
def test_numbers_where_the_timecode_does_not_serve(texts, note, tmp_path):
    media = media_of(told(tmp_path, labels(*texts)).record, None)
    assert media == Media(Fraction(24), 1001, 1002, 1001, note=note)


def test_gaps_in_the_numbers_are_gaps_in_the_timecode(tmp_path):
    shot = told(tmp_path, {1001: "01:00:00:00", 1010: "01:00:00:09"})
    assert media_of(shot.record, None).count(1010) == 86_409


@pytest.mark.parametrize(
    ("rate", "asked", "message"),
    [
        (None, None, "quay: --rate: its plate states no rate; say it: --rate 24000/1001"),
        (None, "fast", "quay: --rate: 'fast' is no rate; say it: --rate 24000/1001"),
        (None, "0", "quay: --rate: '0' is no rate; say it: --rate 24000/1001"),
    ],
)
def test_a_rate_that_nobody_tells(rate, asked, message, tmp_path):
    shot = told(tmp_path, labels("01:00:00:00"), rate=rate)
    with pytest.raises(RequestError) as caught:
        media_of(shot.record, asked)
    assert str(caught.value) == message


def test_a_rate_on_request(tmp_path):
    shot = told(tmp_path, labels("01:00:00:00"), rate=None)
    assert media_of(shot.record, "29.97").rate == Fraction(30000, 1001)
    shot = told(tmp_path, labels("01:00:00:00"), rate="25")  # the plate knows better
    assert media_of(shot.record, "24").rate == 25

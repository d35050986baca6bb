"""The DPX header against SMPTE ST 268 (fields) and SMPTE ST 12-1 (time code)."""

from __future__ import annotations

import math
import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.plates.dpxheader import (
    ELEMENT_FIELDS,
    FIELDS,
    HEADER_BYTES,
    decoded,
    frame_rate,
    is_big_endian,
    new_header,
    patched,
    timecode_text,
    timecode_word,
    value,
)

ORDERS = pytest.mark.parametrize("big_endian", [True, False], ids=["big", "little"])


def fresh(**changes) -> bytes:
    asked = {
        "width": 6,
        "height": 4,
        "channels": ("R", "G", "B"),
        "bits": 10,
        "transfer": 3,
        "colorimetric": 1,
        "timecode": "01:02:03:04",
        "rate": "24",
        "filename": "quay_0100.1001.dpx",
    }
    return new_header(**(asked | changes))


def number(raw: bytes, kind: str, offset: int):
    return struct.unpack_from((">" if raw[:4] == b"SDPX" else "<") + kind, raw, offset)[0]


# SMPTE ST 268: byte offsets from the start of the file, image element 0 at byte 780.
TABLE = """
0 magic text4  4 image_offset I  8 version text8  16 file_size I  20 ditto_key I
24 generic_size I  28 industry_size I  32 user_size I  36 file_name text100
136 creation_time text24  160 creator text100  260 project text200  460 copyright text200
660 encryption_key I  768 orientation H  770 elements H  772 width I  776 height I
1408 x_offset I  1412 y_offset I  1416 x_centre f  1420 y_centre f  1424 x_original I
1428 y_original I  1432 source_file text100  1532 source_time text24  1556 input_device text32
1588 input_serial text32  1628 pixel_aspect_x I  1632 pixel_aspect_y I
1664 film_manufacturer text2  1666 film_type text2  1668 film_offset text2  1670 film_prefix text6
1676 film_count text4  1680 film_format text32  1712 frame_position I  1716 sequence_length I
1720 held_count I  1724 film_rate f  1728 shutter_angle f  1732 frame_id text32  1764 slate text100
1920 timecode timecode4  1924 user_bits I  1928 interlace B  1929 field_number B
1930 video_signal B  1940 television_rate f  1948 gamma f  1968 integration_time f
"""
ELEMENT_TABLE = """
780 data_sign I  784 low_data I  788 low_quantity f  792 high_data I  796 high_quantity f
800 descriptor B  801 transfer B  802 colorimetric B  803 bits B  804 packing H  806 encoding H
808 data_offset I  812 line_padding I  816 image_padding I  820 description text32
"""
SIZES = {"B": 1, "H": 2, "I": 4, "f": 4}


def listed(table: str, start: int = 0) -> dict[str, tuple[int, str, int]]:
    """Offset, kind and size of each field of such a table."""
    words = table.split()
    fields = {}
    for offset, name, kind in zip(words[::3], words[1::3], words[2::3], strict=True):
        letters = kind.rstrip("0123456789")
        size = int(kind[len(letters) :] or SIZES.get(letters, 0))
        fields[name] = (int(offset) - start, letters, size)
    return fields


# SMPTE ST 12-1: BCD, hours in the top byte; drop-frame flag is bit 6 of the frames.
LABELS = [
    ("01:02:03:04", 0x01020304),
    ("00:00:00:00", 0x00000000),
    ("10:59:59:23", 0x10595923),
    ("23:59:58;29", 0x23595869),
    ("07:32:54;18", 0x07325458),
]


def test_fields_are_those_of_the_standard():
    found = {name: (f.offset, f.kind, f.size) for name, f in FIELDS.items()}
    assert found == listed(TABLE)
    found = {name: (f.offset, f.kind, f.size) for name, f in ELEMENT_FIELDS.items()}
    assert found == listed(ELEMENT_TABLE, start=780)


def test_no_two_fields_overlap():
    taken = [(f.offset, f.offset + f.size) for f in FIELDS.values()]
    taken += [(780 + f.offset, 780 + f.offset + f.size) for f in ELEMENT_FIELDS.values()]
    taken.sort()
    assert all(end <= start for (_, end), (start, _) in pairwise(taken))
    assert taken[-1][1] <= HEADER_BYTES


@pytest.mark.parametrize(("label", "word"), LABELS)
def test_timecode_is_bcd(label, word):
    assert timecode_word(label) == word
    assert timecode_text(word) == label


@ORDERS
@pytest.mark.parametrize(("label", "word"), LABELS)
def test_timecode_lies_in_the_files_byte_order(label, word, big_endian):
    raw = fresh(timecode=label, big_endian=big_endian)
    assert raw[1920:1924] == word.to_bytes(4, "big" if big_endian else "little")
    assert value(raw, "timecode") == label


@pytest.mark.parametrize(
    "word", [0xFFFFFFFF, 0xFDFD00FD, 0xE314DC3B, 0x0000000A, 0x24000000, 0x00600000, 0x00006000]
)
def test_undefined_or_impossible_timecode_is_none(word):
    assert timecode_text(word) is None


def test_flags_above_the_digits_are_not_digits():
    # ST 12-1: colour frame, field phase and binary group flags share the bytes of the tens.
    assert timecode_text(0x01020304 | 0xC0808080) == "01:02:03:04"


@pytest.mark.parametrize(
    "label", ["", "1:2:3:4", "24:00:00:00", "00:60:00:00", "00:00:60:00", "00:00:00:40", "00:00:00"]
)
def test_a_label_that_is_none_is_refused(label):
    with pytest.raises(ValueError, match="write HH:MM:SS:FF"):
        timecode_word(label)


@given(
    st.integers(0, 23), st.integers(0, 59), st.integers(0, 59), st.integers(0, 39), st.booleans()
)
def test_every_timecode_round_trips(hours, minutes, seconds, frames, drop):
    label = f"{hours:02}:{minutes:02}:{seconds:02}{';' if drop else ':'}{frames:02}"
    assert timecode_text(timecode_word(label)) == label


@pytest.mark.parametrize(
    ("stored", "told"),
    [
        (24.0, "24"),
        (25.0, "25"),
        (12.5, "25/2"),
        (24000 / 1001, "24000/1001"),
        (23.98, "24000/1001"),
        (23.976, "24000/1001"),
        (29.97, "30000/1001"),
        (60000 / 1001, "60000/1001"),
        *((47.95, "48000/1001"), (71.93, "72000/1001")),
        *((95.904, "96000/1001"), (119.88, "120000/1001")),
        *((1.0, "1"), (1000.0, "1000"), (0.5, None), (1000.5, None)),
        *((5 + 1 / 16, "81/16"), (5 + 1 / 17, None)),
        (0.0, None),
        (math.inf, None),
        (math.nan, None),
        (-24.0, None),
        (-6e-36, None),
        (5.288441107195486e-18, None),
        (3.1e38, None),
        (19.3271, None),
    ],
)
@ORDERS
def test_rate_is_exact_or_not_told(stored, told, big_endian):
    raw = fresh(rate=None, big_endian=big_endian)
    assert frame_rate(patched(raw, television_rate=stored)) == told
    assert frame_rate(patched(raw, film_rate=stored)) == told


def test_television_rate_goes_before_film_rate():
    raw = fresh(rate=None)
    assert frame_rate(raw) is None
    assert frame_rate(patched(raw, film_rate=24.0, television_rate=25.0)) == "25"
    assert frame_rate(patched(raw, film_rate=24.0, television_rate=math.inf)) == "24"


@ORDERS
def test_a_patch_touches_the_bytes_of_its_field_only(big_endian):
    raw = fresh(big_endian=big_endian) + b"user data"
    changed = patched(raw, element=1, transfer=2, timecode="10:11:12;13", file_name="x.dpx")
    touched = {i for i, (a, b) in enumerate(zip(raw, changed, strict=True)) if a != b}
    assert touched <= {780 + 72 + 21, *range(36, 136), *range(1920, 1924)}
    assert changed[780 + 72 + 21] == 2
    assert changed[36:136] == b"x.dpx".ljust(100, b"\0")
    assert value(changed, "timecode") == "10:11:12;13"
    assert value(changed, "transfer", element=0) == 3
    assert changed.endswith(b"user data")


def test_a_patch_of_the_same_values_changes_nothing():
    raw = fresh()
    assert patched(raw, transfer=3, timecode="01:02:03:04", film_rate=24.0) == raw


def test_none_makes_a_field_undefined():
    raw = patched(fresh(), timecode=None, creator=None, film_rate=None)
    assert raw[1920:1924] == b"\xff" * 4
    assert raw[160:260] == bytes(100)
    assert [value(raw, name) for name in ("timecode", "creator", "film_rate")] == [None] * 3


def test_long_and_foreign_text_is_cut_and_marked():
    raw = patched(fresh(), file_name="é" + "a" * 200)
    assert raw[36:136] == b"?" + b"a" * 99
    assert raw[136:] == fresh()[136:]


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"exposure": 1}, "no field named 'exposure'"),
        ({"transfer": 256}, "256 does not fit in the DPX field 'transfer'"),
        ({"width": -1}, "-1 does not fit in the DPX field 'width'"),
        ({"timecode": "noon"}, "'noon' is not a time code"),
        ({"element": 8, "transfer": 1}, "no image element 8"),
    ],
)
def test_what_a_header_cannot_hold_is_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        patched(fresh(), **fields)


def test_a_short_header_has_no_television_fields():
    short = fresh()[:1664]
    assert value(short, "timecode") is None
    assert frame_rate(short) is None
    with pytest.raises(ValueError, match="1664 bytes ends before its field 'timecode'"):
        patched(short, timecode="00:00:00:00")


@ORDERS
def test_a_new_header_tells_what_was_asked_and_nothing_else(big_endian):
    raw = fresh(big_endian=big_endian)
    assert len(raw) == HEADER_BYTES
    assert is_big_endian(raw) is big_endian
    assert raw[:4] == (b"SDPX" if big_endian else b"XPDS")
    assert raw[8:16] == b"V2.0\0\0\0\0"
    assert number(raw, "I", 16) == 2048 + 6 * 4 * 4
    assert (number(raw, "I", 772), number(raw, "I", 776)) == (6, 4)
    assert tuple(raw[800:804]) == (50, 3, 1, 10)
    assert (number(raw, "H", 804), number(raw, "H", 806), number(raw, "I", 808)) == (1, 0, 2048)
    assert (number(raw, "f", 1724), number(raw, "f", 1940)) == (24.0, 24.0)
    fields = decoded(raw)
    assert fields["creator"] == "gradeprep"
    assert fields["file_name"] == "quay_0100.1001.dpx"
    assert fields["byte_order"] == ("big" if big_endian else "little")
    assert fields["rate"] == "24"
    for name in ("encryption_key", "gamma", "frame_position", "project", "slate", "user_bits"):
        assert fields[name] is None
    assert raw[660:664] == b"\xff" * 4
    sizes = {"ditto_key": 1, "generic_size": 1664, "industry_size": 384, "user_size": 0}
    levels = {"low_data": 0, "high_data": 1023, "data_sign": 0, "image_padding": 0}
    plain = {"image_offset": 2048, "orientation": 0, "elements": 1, "line_padding": 0}
    assert {name: fields[name] for name in sizes | levels | plain} == sizes | levels | plain
    assert all(value(raw, "descriptor", element=i) is None for i in range(1, 8))


@pytest.mark.parametrize(
    ("channels", "code"),
    [
        *((("B", "G", "R"), 50), (("A", "R", "G", "B"), 51), (("Y",), 6)),
        *((("R",), 1), (("G",), 2), (("B",), 3), (("A",), 4)),
    ],
)
def test_channels_choose_the_descriptor(channels, code):
    assert fresh(channels=channels)[800] == code


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"channels": ("R", "Z")}, "no image element of the channels R, Z"),
        ({"bits": 14}, "14 bits"),
        ({"transfer": 300}, "300 does not fit"),
        ({"timecode": "1"}, "not a time code"),
        ({"rate": "fast"}, "Invalid literal"),
    ],
)
def test_a_new_header_of_the_impossible_is_refused(asked, message):
    with pytest.raises(ValueError, match=message):
        fresh(**asked)


def test_texts_that_are_undefined_are_zeros():
    raw = fresh()
    begins = [820 + 72 * element for element in range(8)]
    assert [raw[begin : begin + 32] for begin in begins] == [bytes(32)] * 8
    texts = [field for name, field in FIELDS.items() if field.kind == "text"]
    empty = [raw[f.offset : f.offset + f.size] for f in texts if f.offset not in (0, 8, 36, 160)]
    assert not any(map(any, empty))


def test_a_new_header_is_big_endian_unless_told():
    assert is_big_endian(fresh())


def test_text_of_garbage_is_told_as_printable_characters():
    raw = bytearray(fresh())
    raw[160:260] = b"ab\x01\x80c\0rest".ljust(100, b"\0")
    assert value(bytes(raw), "creator") == "ab??c"


def test_bytes_without_the_magic_number_have_no_order():
    with pytest.raises(ValueError, match="magic number"):
        is_big_endian(b"\x80\x2a\x5f\xd7")

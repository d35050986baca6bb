"""Frame ranges: what they parse, how they print, and that they are sets in order."""

from __future__ import annotations

from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.model.framerange import LIMIT, FrameRange, Numbers

numbers = st.sets(st.integers(-60, 60) | st.integers(-(10**15) + 1, 10**15 - 1), max_size=40)


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("5", [5]),
        ("-5", [-5]),
        ("1001-1004", [1001, 1002, 1003, 1004]),
        ("7-7", [7]),
        ("1-20x6", [1, 7, 13, 19]),
        ("7-20:6", [7, 13, 19]),  # Open Job Description, <range> with a step
        ("-10--7", [-10, -9, -8, -7]),
        ("-2-2x2", [-2, 0, 2]),
        ("1001-1005x2,1201", [1001, 1003, 1005, 1201]),
        (" 1 - 5 x 2 , 9 ", [1, 3, 5, 9]),
        ("9,1-3,2", [1, 2, 3, 9]),
        ("0010-0012", [10, 11, 12]),
        ("1-5x100", [1]),
    ],
)
def test_parses(text, frames):
    assert list(FrameRange.parse(text)) == frames


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "the frame range is empty; write it as 1001-1100"),
        (" \n", "the frame range is empty; write it as 1001-1100"),
        ("20-1", "'20-1' runs backwards; write 1-20"),
        ("-1--10", "'-1--10' runs backwards; write -10--1"),
        ("1-10x0", "'1-10x0' has a step of 0; it must be 1 or more"),
        ("1-10:-2", "'1-10:-2' has a step of -2; it must be 1 or more"),
        ("1,,2", "'' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("1-10x", "'1-10x' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("5x2", "'5x2' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("1.5", "'1.5' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("- 5", "'- 5' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("1\n2", r"'1\n2' is no frame or range of frames; write 7, 1-10 or 1-20x2"),
        ("١", "'١' is no frame or range of frames; write 7, 1-10 or 1-20x2"),  # noqa: RUF001
        (
            "9" * 99,
            f"'{'9' * 40}...' is no frame or range of frames; write 7, 1-10 or 1-20x2",
        ),
        ("0-1000000", "1000001 frames are more than the 1,000,000 that a range may hold"),
        (
            "0-999999999999999",
            "1000000000000000 frames are more than the 1,000,000 that a range may hold",
        ),
        ("1-999999,1-2", "1000001 frames are more than the 1,000,000 that a range may hold"),
    ],
)
def test_refuses(text, complaint):
    with pytest.raises(ValueError) as caught:
        FrameRange.parse(text)
    assert str(caught.value) == complaint


def test_holds_up_to_its_limit():
    assert len(FrameRange.parse("1-1000000")) == LIMIT
    with pytest.raises(ValueError, match="1000001 frames"):
        FrameRange.of(range(LIMIT + 1))


@pytest.mark.parametrize(
    ("frames", "text"),
    [
        ([], ""),
        ([5], "5"),
        ([1, 2], "1-2"),
        ([1, 3], "1,3"),
        ([1, 3, 5], "1-5x2"),
        ([-10, -9, -8], "-10--8"),
        ([1, 2, 3, 5, 7, 9, 20], "1-3,5-9x2,20"),
        ([1, 4, 5, 6], "1,4-6"),
        ([3, 1, 2, 2], "1-3"),
    ],
)
def test_prints(frames, text):
    assert str(FrameRange.of(frames)) == text


@given(numbers.filter(bool))
def test_printed_form_parses_back_and_is_stable(frames):
    whole = FrameRange.of(frames)
    assert FrameRange.parse(str(whole)) == whole
    assert str(FrameRange.parse(str(whole))) == str(whole)


@given(numbers, numbers)
def test_is_a_set_in_ascending_order(left, right):
    a, b = FrameRange.of(left), FrameRange.of(right)
    assert list(a) == sorted(left)
    assert list(a & b) == sorted(left & right)
    assert list(a | b) == sorted(left | right)
    assert list(a - b) == sorted(left - right)
    assert [frame in a for frame in right] == [frame in left for frame in right]
    assert len(a) == len(left)
    assert bool(a) == bool(left)
    assert (a == b) == (left == right)
    assert hash(a) == hash(FrameRange.of(left))


@given(numbers, st.integers(1, 50))
def test_chunks_partition(frames, size):
    chunks = list(FrameRange.of(frames).chunks(size))
    assert list(chain.from_iterable(chunks)) == sorted(frames)
    assert all(len(chunk) == size for chunk in chunks[:-1])
    assert all(1 <= len(chunk) <= size for chunk in chunks)


@pytest.mark.parametrize("size", [0, -1])
def test_chunks_need_a_size_before_anything_is_taken(size):
    with pytest.raises(ValueError, match=f"a chunk of {size} frames is no chunk"):
        FrameRange.parse("1-3").chunks(size)


@given(st.sets(st.integers(-200, 200), min_size=1))
def test_gaps_complete_the_span(frames):
    whole = FrameRange.of(frames)
    assert list(whole | whole.gaps()) == list(range(whole.first, whole.last + 1))
    assert not whole & whole.gaps()


def test_gaps_of_a_stray_frame_are_refused_not_listed():
    with pytest.raises(ValueError) as caught:
        FrameRange.of([1, 20240101120000]).gaps()
    assert str(caught.value) == (
        "20240101119998 frames are missing between 1 and 20240101120000; "
        "one of the two is likely a stray"
    )


def test_ends():
    whole = FrameRange.parse("30,-4,7")
    assert (whole.first, whole.last) == (-4, 30)
    nothing = FrameRange()
    assert not nothing
    assert nothing.gaps() == nothing
    assert list(nothing.chunks(3)) == []
    for end in ("first", "last"):
        with pytest.raises(ValueError, match="no first and no last"):
            getattr(nothing, end)


def test_contains_only_whole_numbers():
    whole = FrameRange.parse("1-3")
    assert 2 in whole
    assert 2.0 not in whole
    assert "2" not in whole
    assert None not in whole


def test_holds_only_whole_numbers():
    with pytest.raises(TypeError):
        FrameRange.of([1.5])


def test_is_immutable():
    with pytest.raises(AttributeError):
        FrameRange.parse("1-3").numbers = (9,)


@given(st.lists(st.integers(-8, 8) | st.integers(-(10**15) + 1, 10**15 - 1), max_size=30))
def test_numbers_in_any_order_come_out_once_ascending(these):
    found = Numbers()
    for number in these:
        found.add(number)
    assert list(found.ascending()) == sorted(set(these))


@pytest.mark.parametrize(
    "order", [range(10_000), range(9_999, -1, -1), [*range(1, 10_000, 2), *range(0, 10_000, 2)]]
)
def test_numbers_that_are_one_run_are_one_range(order):
    found = Numbers()
    for number in order:
        found.add(number)
    assert found.ascending() == range(10_000)
    assert len(found._starts) == len(found._ends) == 1


@pytest.mark.parametrize("numbers", [(2, 2), (3, 1), (1, 5, 3), (1, 3, 3)])
def test_numbers_that_do_not_ascend_are_refused(numbers):
    with pytest.raises(ValueError, match="must ascend"):
        FrameRange(numbers)


@pytest.mark.parametrize("number", [10**15, -(10**15), 10**30])
def test_a_number_of_sixteen_digits_is_refused(number):
    for make in (FrameRange, FrameRange.of):
        with pytest.raises(ValueError, match="at most 15 digits"):
            make((number,))
    with pytest.raises(ValueError, match="at most 15 digits"):
        FrameRange(tuple(sorted((number, 5))))


def test_fifteen_digits_are_taken():
    ends = (-(10**15) + 1, 10**15 - 1)
    assert tuple(FrameRange.of(reversed(ends))) == tuple(FrameRange(ends)) == ends


def test_equal_frames_are_equal_ranges_however_they_were_told():
    assert FrameRange((1, 3, 5)) == FrameRange.of([5, 1, 3]) == FrameRange(range(1, 7, 2))
    assert FrameRange((7,)) == FrameRange.of([7, 7])

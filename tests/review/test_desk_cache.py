"""What is kept: the last that was used, within its bytes, made once for all who ask."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from gradeprep.review.desk.cache import Cache


def kept(most: int) -> Cache[bytes]:
    return Cache(most, len)


def held(cache: Cache[bytes], key: str) -> bool:
    """Whether a key's value need not be made."""

    def absent() -> bytes:
        raise LookupError(key)

    try:
        cache.get(key, absent)
    except LookupError:
        return False
    return True


def test_what_was_used_last_stays_within_the_bytes() -> None:
    cache = kept(10)
    for key in "abc":
        cache.get(key, lambda: b"1234")
    assert cache.bytes == 8
    assert not held(cache, "a")
    cache.get("b", lambda: b"never")
    cache.get("d", lambda: b"1234")
    assert [key for key in "abcd" if held(cache, key)] == ["b", "d"]


def test_one_that_is_too_large_stays_until_the_next() -> None:
    cache = kept(3)
    cache.get("a", lambda: b"1234567")
    assert held(cache, "a")
    cache.get("b", lambda: b"1")
    assert (held(cache, "a"), held(cache, "b"), cache.bytes) == (False, True, 1)


def test_threads_that_ask_for_one_key_get_one_value() -> None:
    cache, made, go = kept(100), [], threading.Event()

    def make() -> bytes:
        go.wait()
        made.append(1)
        return b"once"

    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(cache.get, "a", make) for _ in range(4)]
        go.set()
        assert {one.result() for one in asked} == {b"once"}
    assert made == [1]


def test_an_error_reaches_all_who_wait_and_is_not_kept() -> None:
    cache, inside, go = kept(100), threading.Event(), threading.Event()

    def fail() -> bytes:
        inside.set()
        go.wait()
        raise ValueError("torn")

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(cache.get, "a", fail)
        inside.wait()
        second = pool.submit(cache.get, "a", lambda: b"made by the second where the first is over")
        go.set()
        with pytest.raises(ValueError, match="torn"):
            first.result()
        if second.exception() is None:  # it came after the first had failed
            assert second.result().startswith(b"made")
    assert kept(100).get("a", lambda: b"good") == b"good"


def test_all_dropped() -> None:
    cache = kept(100)
    cache.get("a", lambda: b"1")
    cache.clear()
    assert (held(cache, "a"), cache.bytes) == (False, 0)

"""Plain mutation: a good input, changed in one to eight places drawn from a seed."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

__all__ = ["mutated"]

_NUMBERS = (0, 1, 2, 8, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF)
_WORDS = (
    *(b"\0", b"\xff\xfe", b"\xc3", b"\n", b"\r\n", b"\t", b" ", b'"', b"'", b",", b";", b":"),
    *(b"{", b"}", b"[", b"]", b"- ", b"#", b"&a ", b"*a", b"!!python/object:os.system ", b"<<: "),
    *(b"null", b"true", b"NaN", b"Infinity", b"1e999", b"-0", b"99999999999999999999", b"0x1p3"),
    *(b"../", b"/", b"\\u0000", b"1001-1048", b"1-999999999", b"%04d", b"####", b"{shot}"),
)

_Change = Callable[[bytearray, random.Random, Sequence[bytes]], None]


def mutated(seeds: Sequence[bytes], chance: random.Random) -> bytes:
    """One of the good inputs, no longer good in all likelihood."""
    raw = bytearray(chance.choice(seeds))
    for _ in range(chance.choice((1, 1, 2, 3, 8))):
        chance.choice(_CHANGES)(raw, chance, seeds)
    return bytes(raw)


def _at(raw: bytearray, chance: random.Random) -> int:
    """A place; headers stand in front, so half of the places are there."""
    end = min(len(raw), 2048) if chance.random() < 0.5 else len(raw)
    return chance.randrange(end + 1)


def _flip(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance)
    if at < len(raw):
        raw[at] ^= 1 << chance.randrange(8)


def _byte(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance)
    raw[at : at + 1] = bytes((chance.randrange(256),))


def _number(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance) & ~3 if chance.random() < 0.5 else _at(raw, chance)
    raw[at : at + 4] = struct.pack(chance.choice(("<I", ">I")), chance.choice(_NUMBERS))


def _word(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance)
    raw[at:at] = chance.choice(_WORDS) * chance.choice((1, 1, 1, 64))


def _cut(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance)
    del raw[at : at + chance.choice((1, 4, 64, len(raw)))]


def _double(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    at = _at(raw, chance)
    raw[at:at] = raw[at : at + chance.choice((1, 4, 64, 512))]


def _splice(raw: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> None:
    other = chance.choice(seeds)
    raw[_at(raw, chance) :] = other[chance.randrange(len(other) + 1) :]


_CHANGES: tuple[_Change, ...] = (_flip, _byte, _number, _word, _cut, _double, _splice)

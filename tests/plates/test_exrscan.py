"""Structure of EXR files, whole and broken, after "OpenEXR File Layout" (public documentation)."""

from __future__ import annotations

import contextlib
import os
import random
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from exrbytes import (
    DEEP,
    HEIGHT,
    LONG_NAMES,
    MULTI_PART,
    TILED,
    WIDTH,
    box,
    chlist,
    exr,
    head,
    header,
    integer,
    part,
    text,
    tiled_exr,
    tiles,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from gradeprep.errors import (
    CannotCarryError,
    MissingPlateError,
    PlateError,
    TornFrameError,
)
from gradeprep.plates.exrimage import CODECS
from gradeprep.plates.exrscan import scan
from gradeprep.plates.limits import Limits

WHOLE = {
    "scan lines": exr(header()),
    "tiles": tiled_exr(),
    "parts": exr(part("a"), part("b"), flags=MULTI_PART),
}


@pytest.fixture
def file(tmp_path):
    def made(raw: bytes) -> Path:
        path = tmp_path / "made.exr"
        path.write_bytes(raw)
        return path

    return made


def test_scan_lines(file):
    raw = exr(
        header(
            channels=("chlist", chlist(("A", 0, 1, 1, 1), ("Z", 2, 0, 1, 1))),
            displayWindow=box(-1, -2, 30, 20),
            owner=text("us"),
        ),
        halves=4 * WIDTH,
    )
    structure = scan(file(raw))
    (image,) = structure.parts
    assert (structure.flags, structure.bytes, image.name) == (0, len(raw), "")
    assert [(c.name, c.pixel_type, c.linear) for c in image.channels] == [
        ("A", "uint32", True),
        ("Z", "float", False),
    ]
    assert image.data_window == (0, 0, WIDTH, HEIGHT)
    assert image.display_window == (-1, -2, 30, 20)
    assert (image.codec.name, image.line_order, image.tiles) == ("none", 0, None)
    assert image.attributes["owner"] == ("string", b"us")
    assert list(image.attributes)[-1] == "owner"
    assert image.decoded_bytes == WIDTH * HEIGHT * 8
    assert image.offsets.tolist() == sorted(image.offsets.tolist())
    assert image.offsets.dtype == np.uint64


def test_tiles(file):
    (image,) = scan(file(WHOLE["tiles"])).parts
    assert image.tiles == (2, 2)
    assert image.chunk_counts == (2, 2)


def test_parts(file):
    structure = scan(file(WHOLE["parts"]))
    assert structure.flags == MULTI_PART
    assert [image.name for image in structure.parts] == ["a", "b"]
    assert [image.offsets.size for image in structure.parts] == [HEIGHT, HEIGHT]


def test_bytes_after_the_last_chunk_are_let_be(file):
    assert scan(file(WHOLE["scan lines"] + b"tail")).bytes == len(WHOLE["scan lines"]) + 4


@pytest.mark.parametrize("kind", WHOLE)
def test_a_cut_anywhere_is_seen(file, kind):
    for length in range(len(WHOLE[kind])):
        with pytest.raises(TornFrameError):
            scan(file(WHOLE[kind][:length]))


def long(name: str) -> str:
    return name * 40


NO_TABLE = len(head(header()))
TORN = {
    "empty": (b"", "not an EXR file"),
    "no EXR": (b"SDPX" + bytes(60), "does not begin like one"),
    "no header": (head({}), "its header is empty"),
    "tiled parts": (exr(part("a"), flags=MULTI_PART | TILED), "contradict"),
    "type of tiles": (exr(header(type=text("tiledimage"))), "'tiledimage'"),
    "type of deep lines": (exr(header(type=text("deepscanline"))), "'deepscanline'"),
    "lines among tiles": (tiled_exr(type=text("scanlineimage")), "'scanlineimage'"),
    "flags of tiles": (exr(header(), flags=TILED), "'tiles' is missing"),
    "deep flag": (exr(part("a"), flags=MULTI_PART | DEEP), "say deep"),
    "untyped part": (exr(part("a", type=None), flags=MULTI_PART), "type is ''"),
    "unnamed part": (exr(part("a", name=None), flags=MULTI_PART), "a name of its own"),
    "same names": (exr(part("a"), part("a"), flags=MULTI_PART), "a name of its own"),
    "uncounted part": (exr(part("a", chunkCount=None), flags=MULTI_PART), "'chunkCount'"),
    "miscounted": (exr(header(chunkCount=integer(5))), "5 chunks, its picture takes 4"),
    "no channels": (exr(header(channels=None)), "'channels' is missing"),
    "empty channels": (exr(header(channels=("chlist", b"\0"))), "no channel"),
    "endless channels": (exr(header(channels=("chlist", b"Y\0abc"))), "does not end"),
    "no end of channels": (
        exr(header(channels=("chlist", chlist(("Y", 1, 0, 1, 1))[:-1]))),
        "does not end",
    ),
    "channel type": (exr(header(channels=("chlist", chlist(("Y", 3, 0, 1, 1))))), "channel 'Y'"),
    "channel sampling": (
        exr(header(channels=("chlist", chlist(("Y", 1, 0, 0, 1))))),
        "channel 'Y'",
    ),
    "channel twice": (
        exr(header(channels=("chlist", chlist(("Y", 1, 0, 1, 1), ("Y", 1, 0, 1, 1))))),
        "out of order",
    ),
    "attribute twice": (
        exr(header()).replace(b"screenWindowCenter", b"displayWindow\0\0\0\0\0"),
        "displayWindow",
    ),
    "attribute type": (exr(header(lineOrder=("int", b"\0"))), "'lineOrder' is 'int'"),
    "attribute size": (exr(header(screenWindowWidth=("float", b"123"))), "has 3 bytes"),
    "negative size": (head(header())[:-1] + b"a\0b\0\xff\xff\xff\xff\0", "has -1 bytes"),
    "huge size": (head(header())[:-1] + b"a\0b\0\xff\xff\xff\x7f\0", "cut short within its header"),
    "long name": (exr(header(**{long("a"): integer(1)})), "does not end"),
    "empty window": (exr(header(dataWindow=box(0, 0, 0, 4))), "dataWindow is empty"),
    "empty display": (exr(header(displayWindow=box(0, 0, 4, -3))), "displayWindow is empty"),
    "far window": (exr(header(dataWindow=box(2**30, 0, 3, 4))), "out of all bounds"),
    "line order": (exr(header(lineOrder=("lineOrder", b"\2"))), "line order 2"),
    "no tile": (tiled_exr().replace(*(tiles(n, 2)[1] for n in (2, 0))), "tiles are 0 x 2"),
    "tile mode": (tiled_exr().replace(*(tiles(2, 2, n)[1] for n in (0, 3))), "mode 3"),
    "texts": (
        exr(header(multiView=("stringvector", struct.pack("<i", 9) + b"left"))),
        "does not fit",
    ),
    "no table": (head(header()), "chunk table"),
    "chunk missing": (
        WHOLE["scan lines"][:NO_TABLE] + bytes(8) + WHOLE["scan lines"][NO_TABLE + 8 :],
        "1 of its 4 chunks are missing",
    ),
    "chunk in the header": (
        WHOLE["scan lines"][:NO_TABLE] + b"\1" + bytes(7) + WHOLE["scan lines"][NO_TABLE + 8 :],
        "outside the file",
    ),
    "chunk beyond": (
        WHOLE["scan lines"][:NO_TABLE] + b"\xff" * 8 + WHOLE["scan lines"][NO_TABLE + 8 :],
        "outside the file",
    ),
    "chunks in one place": (
        WHOLE["scan lines"][:NO_TABLE]
        + WHOLE["scan lines"][NO_TABLE + 8 : NO_TABLE + 16]
        + WHOLE["scan lines"][NO_TABLE + 8 :],
        "share one place",
    ),
    "another line last": (
        WHOLE["scan lines"][:-14] + b"\2" + WHOLE["scan lines"][-13:],
        "does not match its chunk table",
    ),
    "negative chunk": (WHOLE["scan lines"][:-10] + b"\xff" * 4 + bytes(6), "has -1 bytes"),
    "empty chunk": (WHOLE["scan lines"][:-10] + bytes(10), "has 0 bytes"),
    "pixels that cannot be there": (
        exr(header(dataWindow=box(0, 0, 30_000, HEIGHT))),
        "takes? 240000 bytes",
    ),
}


@pytest.mark.parametrize("case", TORN)
def test_torn(file, case):
    raw, message = TORN[case]
    with pytest.raises(TornFrameError, match=message) as caught:
        scan(file(raw))
    assert caught.value.file is not None
    assert "\n" not in str(caught.value)


SUBSAMPLED = chlist(("BY", 1, 0, 2, 2), ("Y", 1, 0, 1, 1))
UNCARRIED = {
    "version": (b"v/1\x01\x03\0\0\0", "EXR version 3"),
    "feature": (exr(header(), flags=0x2000), "0x2000"),
    "mip": (tiled_exr().replace(*(tiles(2, 2, n)[1] for n in (0, 1))), "mip levels"),
    "rip": (tiled_exr().replace(*(tiles(2, 2, n)[1] for n in (0, 18))), "rip levels"),
    "deep": (exr(header(), flags=DEEP), "is deep"),
    "deep part": (
        exr(part("a"), part("b", type=text("deeptile")), flags=MULTI_PART | DEEP),
        "deep in part 'b'",
    ),
    "subsampled": (exr(header(channels=("chlist", SUBSAMPLED))), "'BY' subsampled by 2 x 2"),
    "compression": (exr(header(compression=("compression", b"\x63"))), "compression 99"),
    "attribute name": (exr(header() | {"\xff": integer(1)}), "attribute name .* not UTF-8"),
    "attribute type": (exr(header(a=("\xff", b""))), "attribute type .* not UTF-8"),
    "channel name": (
        exr(header()).replace(b"Y\0\1", b"\xff\0\1"),
        "channel name .* not UTF-8",
    ),
    "text": (exr(header(owner=("string", b"\xe9"))), "'owner' .* not UTF-8"),
    "texts": (
        exr(header(multiView=("stringvector", b"\1\0\0\0a\1\0\0\0\xe9"))),
        "'multiView' .* not UTF-8",
    ),
    "width": (
        exr(header(dataWindow=box(0, 0, 32_769, 4))),
        "32769 x 4, the limit is 32768; .* GRADEPREP_MAX_SIDE",
    ),
    "parts": (
        head(*[part(str(n)) for n in range(1025)], flags=MULTI_PART),
        "more than 1024 parts",
    ),
    "attributes": (
        head(header(**{f"a{n}": integer(n) for n in range(65_536)})),
        "more than 65536 attributes",
    ),
}


@pytest.mark.parametrize("case", UNCARRIED)
def test_not_carried(file, case):
    raw, message = UNCARRIED[case]
    with pytest.raises(CannotCarryError, match=message):
        scan(file(raw))


def test_long_names_need_their_flag(file):
    raw = exr(header(**{long("a"): integer(1)}), flags=LONG_NAMES)
    assert long("a") in scan(file(raw)).parts[0].attributes


def test_limits_are_the_callers(file):
    path = file(exr(header()))
    with pytest.raises(CannotCarryError, match="the limit is 3"):
        scan(path, Limits(side=3))
    with pytest.raises(CannotCarryError, match="GiB of pixels"):
        scan(path, Limits(bytes=23))
    assert scan(path, Limits(side=4, bytes=24))


def test_no_file(tmp_path):
    with pytest.raises(MissingPlateError, match="no such file"):
        scan(tmp_path / "none.exr")


def test_not_a_file(tmp_path):
    with pytest.raises(PlateError, match="not a regular file"):
        scan(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.exr")
    with pytest.raises(PlateError, match="not a regular file"):
        scan(tmp_path / "pipe.exr")


def peak(path: Path) -> int:
    """Most bytes that Python held while it scanned."""
    tracemalloc.start()
    try:
        with contextlib.suppress(PlateError):
            scan(path)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_little_is_read_of_a_large_file(tmp_path):
    side = 16_384
    raw = head(header(dataWindow=box(0, 0, side, side)))
    offsets = len(raw) + 8 * side + np.arange(side, dtype="<u8") * (8 + 2 * side)
    path = tmp_path / "sparse.exr"
    with path.open("wb") as made:
        made.write(raw + offsets.tobytes())
        made.seek(int(offsets[-1]))
        made.write(struct.pack("<ii", side - 1, 2 * side))
        made.truncate(int(offsets[-1]) + 8 + 2 * side)
    assert scan(path).parts[0].offsets.size == side
    assert peak(path) < 2 * 2**20


def test_a_large_header_is_not_read(tmp_path):
    path = tmp_path / "sparse.exr"
    with path.open("wb") as made:
        made.write(head(header())[:-1] + b"a\0b\0" + struct.pack("<i", 2**30))
        made.truncate(2**31)
    with pytest.raises(CannotCarryError, match="more than 16 MiB"):
        scan(path)
    assert peak(path) < 2 * 2**20


def test_a_claim_takes_no_memory(file):
    side = 32_768
    path = file(exr(header(dataWindow=box(0, 0, side, side), compression=("compression", b"\x0a"))))
    assert peak(path) < 2 * 2**20


@pytest.mark.parametrize("code", CODECS)
@pytest.mark.parametrize("level", [0.0, 0.18])
def test_a_flat_4k_plate_is_no_bomb(tmp_path, code, level):
    path = tmp_path / "flat.exr"
    plane = np.full((2160, 4096), level, np.float16)
    channels = {"type": OpenEXR.scanlineimage, "compression": OpenEXR.Compression(code)}
    OpenEXR.File(channels, {"Y": plane}).write(str(path))
    (image,) = scan(path).parts
    assert image.compression == code


def test_codecs_are_the_modules():
    theirs = {
        int(it.value): name.removesuffix("_COMPRESSION").lower().replace("no", "none")
        for name, it in OpenEXR.Compression.__members__.items()
        if not name.startswith("NUM_")
    }
    assert {code: CODECS[code].name for code in theirs} == theirs


@pytest.mark.parametrize("code", CODECS)
@pytest.mark.parametrize("height", [1, 31, 257, 513])
def test_chunks_are_counted_as_the_module_counts_them(tmp_path, code, height):
    path = tmp_path / "made.exr"
    kind = {"type": OpenEXR.scanlineimage, "compression": OpenEXR.Compression(code)}
    parts = [OpenEXR.Part({**kind, "name": n}, {"Y": np.ones((height, 2), "f4")}) for n in "ab"]
    OpenEXR.File(parts).write(str(path))
    for image in scan(path).parts:  # the module tells its own count in files of many parts
        assert image.offsets.size == int.from_bytes(image.attributes["chunkCount"][1], "little")


@settings(max_examples=300, deadline=None)
@given(kind=st.sampled_from(sorted(WHOLE)), seed=st.integers(0, 2**32))
def test_garbled_bytes_raise_nothing_else(tmp_path_factory, kind, seed):
    chance = random.Random(seed)
    raw = bytearray(WHOLE[kind])
    for _ in range(chance.choice((1, 2, 8))):
        raw[chance.randrange(len(raw))] = chance.choice((0, 1, 127, 128, 255))
    path = tmp_path_factory.getbasetemp() / f"garbled-{os.getpid()}.exr"
    path.write_bytes(raw)
    with contextlib.suppress(PlateError):
        scan(path)

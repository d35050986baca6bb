"""EXR frames read and written back, cross-checked with OpenImageIO and on real files."""

from __future__ import annotations

import math
import os
import struct
import threading
from fractions import Fraction
from pathlib import Path

import exrbytes
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest

from gradeprep.errors import (
    CannotCarryError,
    GradeprepError,
    MissingPlateError,
    TornFrameError,
    WriteError,
)
from gradeprep.model.frame import Frame, Part
from gradeprep.plates import exr
from gradeprep.plates.exrmessages import captured
from gradeprep.plates.exrscan import scan

TYPES = {"half": np.float16, "float": np.float32, "uint32": np.uint32}
HEIGHT, WIDTH = 37, 53


def noise(kind: str, *, seed: int = 0, shape: tuple[int, int] = (HEIGHT, WIDTH)) -> np.ndarray:
    """Pixels that no lossy codec can keep: all exponents, both signs, all bits of an integer."""
    chance = np.random.default_rng(seed)
    if kind == "uint32":
        return chance.integers(0, 2**32, shape, dtype=np.uint32)
    return (chance.normal(size=shape) * 2.0 ** chance.integers(-8, 8, shape)).astype(TYPES[kind])


def smooth(kind: str) -> np.ndarray:
    """Pixels that every codec can make smaller: a ramp under a little noise."""
    ramp = np.linspace(0.0, 8.0, 64) + np.random.default_rng(0).normal(0.0, 0.01, (64, 64))
    return (ramp * 2.0**20).astype(np.uint32) if kind == "uint32" else ramp.astype(TYPES[kind])


def made_part(name: str = "", *, x: int = 0, y: int = 0, **kinds: str) -> Part:
    channels = {key: noise(kind, seed=ord(key[0])) for key, kind in sorted(kinds.items())}
    header = exr.new_header(height=HEIGHT, width=WIDTH)
    header["dataWindow"] = (
        np.array([x, y], np.int32),
        np.array([x + WIDTH - 1, y + HEIGHT - 1], np.int32),
    )
    return Part(name, channels, header)


def tiled(part: Part, width: int = 16, height: int = 8) -> Part:
    tiles = OpenEXR.TileDescription()
    tiles.xSize, tiles.ySize, tiles.mode = width, height, OpenEXR.ONE_LEVEL
    return exr.with_attributes(part, {"type": OpenEXR.tiledimage, "tiles": tiles})


def written(path: Path, *parts: Part) -> Path:
    exr.write(Frame("exr", parts), path)
    return path


def same_bytes(one: np.ndarray, other: np.ndarray) -> bool:
    """Equal bit for bit: NaNs and the sign of zero too."""
    return (one.dtype, one.shape, one.tobytes()) == (other.dtype, other.shape, other.tobytes())


def by_openimageio(path: Path) -> list[dict[str, np.ndarray]]:
    """Every channel of every part in its own type, by a decoder that is not ours."""
    source = oiio.ImageInput.open(str(path))
    assert source is not None, oiio.geterror()
    parts: list[dict[str, np.ndarray]] = []
    while source.seek_subimage(len(parts), 0):
        spec, planes = source.spec(), {}
        for kind in {str(spec.channelformat(i)) for i in range(spec.nchannels)}:
            pixels = source.read_image(len(parts), 0, 0, spec.nchannels, oiio.TypeDesc(kind))
            for i, name in enumerate(spec.channelnames):
                if str(spec.channelformat(i)) == kind:
                    planes[name] = pixels.reshape(spec.height, spec.width, -1)[..., i]
        parts.append(planes)
    source.close()
    return parts


def assert_same_pixels(frame: Frame, others: list[dict[str, np.ndarray]]) -> None:
    assert len(frame.parts) == len(others)
    for part, other in zip(frame.parts, others, strict=True):
        assert set(part.channels) == set(other)
        for name, plane in part.channels.items():
            assert same_bytes(plane, other[name]), name


# Every compression, pixel type and layout.


@pytest.mark.parametrize("layout", ["scan lines", "tiles"])
@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("compression", exr.COMPRESSIONS)
def test_matrix(tmp_path, compression, kind, layout):
    part = exr.with_compression(made_part(x=-7, y=-11, Y=kind), compression)
    if layout == "tiles":
        part = tiled(part)
    path = written(tmp_path / "made.exr", part)
    (told,) = exr.inspect(path).parts
    assert told.compression == compression
    assert told.channels == {"Y": kind}
    assert told.data_window == (-7, -11, WIDTH, HEIGHT)
    assert told.display_window == (0, 0, WIDTH, HEIGHT)
    assert told.tiles == ((16, 8) if layout == "tiles" else None)
    frame = exr.read(path)
    plane = frame.parts[0].channels["Y"]
    assert plane.flags.c_contiguous
    assert plane.flags.writeable
    if not exr.lossy(compression, [kind]):
        assert same_bytes(plane, part.channels["Y"])
    if compression not in ("lj2k", "zstd"):  # newer than what OpenImageIO reads
        assert_same_pixels(frame, by_openimageio(path))


@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("compression", exr.COMPRESSIONS)
def test_lossy_tells_the_truth(tmp_path, compression, kind):
    channels = {name: smooth(kind) for name in "RGB"}
    part = exr.with_compression(Part("", channels, {}), compression)
    back = exr.read(written(tmp_path / "made.exr", part)).parts[0]
    kept = all(same_bytes(back.channels[name], part.channels[name]) for name in "RGB")
    assert exr.lossy(compression, [kind]) is not kept
    assert exr.lossy(compression, ()) is False


def test_every_half_value_comes_back(tmp_path):
    codes = np.arange(2**16, dtype=np.uint16).view(np.float16).reshape(256, 256)
    part = Part("", {"R": codes}, {})
    for compression in ("none", "rle", "zips", "zip", "piz", "pxr24", "htj2k256", "zstd"):
        path = written(tmp_path / "made.exr", exr.with_compression(part, compression))
        assert same_bytes(exr.read(path).parts[0].channels["R"], codes), compression


def test_many_parts_keep_their_own(tmp_path):
    parts = (
        exr.with_compression(made_part("beauty", R="half", G="half", B="half"), "piz"),
        tiled(exr.with_compression(made_part("depth", x=-3, Z="float"), "zip")),
        exr.with_compression(made_part("ids", y=9, id="uint32", A="half"), "none"),
    )
    path = written(tmp_path / "made.exr", *parts)
    layout = exr.inspect(path)
    assert [part.name for part in layout.parts] == ["beauty", "depth", "ids"]
    assert [part.compression for part in layout.parts] == ["piz", "zip", "none"]
    assert [part.tiles for part in layout.parts] == [None, (16, 8), None]
    frame = exr.read(path)
    for part, back in zip(parts, frame.parts, strict=True):
        assert (part.name, list(part.channels)) == (back.name, list(back.channels))
        assert all(same_bytes(back.channels[name], it) for name, it in part.channels.items())
    assert_same_pixels(frame, by_openimageio(path))


CUT = {
    "scan lines": lambda: (made_part(R="half"),),
    "tiles": lambda: (tiled(made_part(R="half")),),
    "parts": lambda: (made_part("a", R="half"), tiled(made_part("b", Z="float"))),
}


@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.98, 1.0])
@pytest.mark.parametrize("kind", CUT)
def test_a_cut_file_is_refused_before_it_is_decoded(tmp_path, kind, share):
    path = written(tmp_path / "made.exr", *CUT[kind]())
    raw = path.read_bytes()
    path.write_bytes(raw[: min(int(len(raw) * share), len(raw) - 1)])
    with pytest.raises(TornFrameError, match=r"made\.exr"):
        exr.inspect(path)
    with pytest.raises(TornFrameError):
        exr.read(path)


# What the module would get wrong.

VIEWS = {
    "crop": lambda a: a[3:-4, 5:-6],
    "every other": lambda a: a[::2, ::3],
    "upside down": lambda a: a[::-1],
    "mirrored": lambda a: a[:, ::-1],
    "turned": lambda a: a.T,
    "fortran": np.asfortranarray,
    "interleaved": lambda a: np.stack([a, a + a, a], axis=-1)[..., 1],
    "one line": lambda a: np.broadcast_to(a[0], a.shape),
    "read-only": lambda a: np.frombuffer(a.tobytes(), a.dtype).reshape(a.shape),
}


@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("view", VIEWS)
def test_strides_are_minded(tmp_path, view, kind):
    plane = VIEWS[view](noise(kind))
    path = written(tmp_path / "made.exr", Part("", {"Y": plane}, {}))
    assert same_bytes(exr.read(path).parts[0].channels["Y"], np.ascontiguousarray(plane))
    assert same_bytes(by_openimageio(path)[0]["Y"], np.ascontiguousarray(plane))


def floats(*values: float) -> bytes:
    return struct.pack(f"<{len(values)}f", *values)


def doubles(*values: float) -> bytes:
    return struct.pack(f"<{len(values)}d", *values)


ATTRIBUTES = {
    "box2f": ("box2f", floats(1, 2, 3, 4)),
    "box2i": exrbytes.box(-1, -2, 3, 4),
    "bytes": ("bytes", struct.pack("<I", 3) + b"abc" + b"xyz"),
    "channel list": ("chlist", exrbytes.chlist(("X", 2, 1, 1, 1))),
    "chromaticities": ("chromaticities", floats(*np.linspace(0, 1, 8))),
    "compression of a proxy": ("compression", b"\3"),
    "double": ("double", doubles(1 / 3)),
    "dwaCompressionLevel": ("float", floats(60)),
    "envmap": ("envmap", b"\1"),
    "float": ("float", floats(0.1)),
    "float NaN": ("float", b"\1\0\xc0\x7f"),
    "floatvector": ("floatvector", floats(1, 2)),
    "floatvector of none": ("floatvector", b""),
    "floatvector of one": ("floatvector", floats(1)),
    "int": ("int", b"\xff\xff\xff\xff"),
    "keycode": ("keycode", struct.pack("<7i", 1, 2, 3, 4, 5, 4, 64)),
    "lineOrder2": ("lineOrder", b"\2"),
    "m33d": ("m33d", doubles(*range(9))),
    "m33f": ("m33f", floats(*range(9))),
    "m44d": ("m44d", doubles(*range(16))),
    "m44f": ("m44f", floats(*range(16))),
    "name": exrbytes.text("a part alone"),
    "preview": ("preview", struct.pack("<II", 2, 1) + b"12345678"),
    "preview of none": ("preview", bytes(8)),
    "rational": ("rational", struct.pack("<iI", 24_000, 1001)),
    "rational not reduced": ("rational", struct.pack("<iI", 48, 2)),
    "rational large": ("rational", struct.pack("<iI", -1, 2**32 - 1)),
    "string": exrbytes.text("h\u00e9t\0e"),
    "string of none": exrbytes.text(""),
    "stringvector": ("stringvector", struct.pack("<i2si", 2, b"ab", 0)),
    "stringvector of none": ("stringvector", b""),
    "tiledesc": exrbytes.tiles(3, 4),
    "tiles": exrbytes.tiles(3, 4),
    "timecode": ("timecode", b"\xff" * 4 + b"\x12\x34\x56\x78"),
    "v2d": ("v2d", doubles(1, 2)),
    "v2f": ("v2f", floats(1, 2)),
    "v2i": ("v2i", struct.pack("<2i", 1, 2)),
    "v3d": ("v3d", doubles(1, 2, 3)),
    "v3f": ("v3f", floats(1, 2, 3)),
    "v3i": ("v3i", struct.pack("<3i", 1, 2, 3)),
    "vendor": ("vendor", b"\0\1\2"),
    "vendor of none": ("vendor", b""),
    "chunkCount": exrbytes.integer(4),
    "a name of more than thirty-one bytes": exrbytes.integer(1),
}


@pytest.mark.parametrize("compression", ["none", "zip", "dwaa"])
def test_attributes_come_back_byte_for_byte(tmp_path, compression):
    source, result = tmp_path / "source.exr", tmp_path / "result.exr"
    for name, attribute in ATTRIBUTES.items():
        flags = exrbytes.LONG_NAMES if len(name) > 31 else 0
        source.write_bytes(exrbytes.exr(exrbytes.header(**{name: attribute}), flags=flags))
        frame = exr.read(source)
        part = exr.with_compression(frame.parts[0], compression)
        back = scan(written(result, part))
        (image,) = back.parts
        expected = ("int", struct.pack("<i", image.offsets.size))
        assert image.attributes[name] == (expected if name == "chunkCount" else attribute), name
        assert back.flags == flags, name


@pytest.mark.parametrize(
    ("name", "attribute", "message"),
    [
        ("a", ("rational", bytes(8)), "denominator of zero"),
        ("a", ("deepImageState", b"\0"), "for deep pictures"),
        ("a", ("envmap", b"\7"), "unknown environment map"),
        ("adoptedNeutral", ("v2i", bytes(8)), "the format requires 'v2f'"),
        ("chromaticities", exrbytes.text("any"), "the format requires 'chromaticities'"),
    ],
)
def test_attributes_that_cannot_be_carried(tmp_path, name, attribute, message):
    path = tmp_path / "made.exr"
    path.write_bytes(exrbytes.exr(exrbytes.header(**{name: attribute})))
    for look in (exr.inspect, exr.read):
        with pytest.raises(CannotCarryError, match=message):
            look(path)


def test_an_attribute_that_the_module_refuses(tmp_path, capfd):
    path = tmp_path / "made.exr"
    garbled = ("keycode", struct.pack("<7i", 10**6, 2, 3, 4, 5, 4, 64))
    path.write_bytes(exrbytes.exr(exrbytes.header(keyCode=garbled)))
    with pytest.raises(TornFrameError, match=r"made\.exr: does not decode: Invalid key code"):
        exr.read(path)
    assert capfd.readouterr() == ("", "")


def test_channel_flags_come_back(tmp_path):
    flagged = exrbytes.chlist(("A", 1, 1, 1, 1), ("B", 1, 0, 1, 1), ("C", 1, 1, 1, 1))
    source = tmp_path / "source.exr"
    header = exrbytes.header(channels=("chlist", flagged))
    source.write_bytes(exrbytes.exr(header, halves=3 * exrbytes.WIDTH))
    result = written(tmp_path / "result.exr", *exr.read(source).parts)
    assert scan(result).parts[0].attributes["channels"] == ("chlist", flagged)


@pytest.mark.parametrize(("layout", "order"), [("scan lines", 1), ("tiles", 1), ("tiles", 2)])
def test_line_orders_come_back(tmp_path, layout, order):
    part = exr.with_attributes(made_part(R="half"), {"lineOrder": OpenEXR.LineOrder(order)})
    part = tiled(part) if layout == "tiles" else part
    again = exr.read(written(tmp_path / "made.exr", part))
    (image,) = scan(written(tmp_path / "again.exr", *again.parts)).parts
    assert image.line_order == order
    assert_same_pixels(again, by_openimageio(tmp_path / "again.exr"))


# What a file says about itself.


def marked(**attributes: tuple[str, bytes]) -> bytes:
    return exrbytes.exr(exrbytes.header(**attributes))


@pytest.mark.parametrize(
    ("attributes", "expected"),
    [
        ({}, (None, None, None, ())),
        ({"gradeprepStops": ("double", doubles(-1.37))}, (None, None, -1.37, ())),
        ({"gradeprepStops": ("float", floats(-1.5))}, (None, None, -1.5, ())),
        ({"gradeprepRecipe": exrbytes.text("a1,b2")}, (None, None, None, ("a1", "b2"))),
        ({"framesPerSecond": ("rational", struct.pack("<iI", 48, 2))}, (None, "24", None, ())),
        (
            {"framesPerSecond": ("rational", struct.pack("<iI", 24_000, 1001))},
            (None, "24000/1001", None, ()),
        ),
        ({"framesPerSecond": ("rational", struct.pack("<iI", -24, 1))}, (None, None, None, ())),
        ({"framesPerSecond": ("float", floats(24))}, (None, None, None, ())),
        (  # SMPTE ST 12-1: two digits each, frames in the low byte
            {"timeCode": ("timecode", struct.pack("<II", 0x10203004, 0))},
            ("10:20:30:04", None, None, ()),
        ),
        (
            {"timeCode": ("timecode", struct.pack("<II", 0x23595969, 7))},
            ("23:59:59;29", None, None, ()),
        ),
        (  # colour frame, field and binary group flags are no digits
            {"timeCode": ("timecode", struct.pack("<II", 0xC1828384, 0))},
            ("01:02:03:04", None, None, ()),
        ),
        ({"timeCode": ("timecode", struct.pack("<II", 0x24000000, 0))}, (None, None, None, ())),
        ({"timeCode": ("timecode", struct.pack("<II", 0x0000000A, 0))}, (None, None, None, ())),
    ],
)
def test_inspect_tells(tmp_path, attributes, expected):
    path = tmp_path / "made.exr"
    path.write_bytes(marked(**attributes))
    layout = exr.inspect(path)
    assert (layout.timecode, layout.rate, layout.pulled, layout.history) == expected
    assert layout.format == "exr"
    part = exr.read(path).parts[0]
    assert (exr.timecode(part), exr.rate(part)) == expected[:2]


@pytest.mark.parametrize("mark", [exrbytes.text("-1"), ("double", doubles(math.nan))])
def test_a_mark_that_cannot_be_read_is_not_taken_for_none(tmp_path, mark):
    path = tmp_path / "made.exr"
    path.write_bytes(marked(gradeprepStops=mark))
    with pytest.raises(TornFrameError, match=r"gradeprepStops.*holds no number"):
        exr.inspect(path)


def test_marks_come_back_exact(tmp_path):
    part = exr.with_attributes(made_part(R="half"), {exr.STOPS: -1.37, exr.RECIPE: "a1,b2"})
    path = written(tmp_path / "made.exr", part)
    assert scan(path).parts[0].attributes[exr.STOPS] == ("double", doubles(-1.37))
    assert exr.inspect(path).pulled == -1.37
    assert exr.inspect(path).history == ("a1", "b2")
    again = written(tmp_path / "again.exr", *exr.read(path).parts)
    assert exr.inspect(again).pulled == -1.37
    path.write_bytes(marked(gradeprepStops=("float", floats(-1.37))))
    again = written(tmp_path / "again.exr", *exr.read(path).parts)
    assert scan(again).parts[0].attributes[exr.STOPS] == ("float", floats(-1.37))


def test_with_attributes():
    part = Part("", {"Y": noise("half")}, {"a": 1, "b": 2})
    changed = exr.with_attributes(part, {"a": None, "c": "three", "none": None})
    assert changed.header == {"b": 2, "c": "three"}
    assert part.header == {"a": 1, "b": 2}
    assert changed.channels is part.channels


def test_with_compression_names_what_there_is():
    with pytest.raises(CannotCarryError, match=r"'lzw' cannot be written; take one of none, rle"):
        exr.with_compression(made_part(R="half"), "lzw")


def test_new_header(tmp_path):
    header = exr.new_header(
        height=HEIGHT, width=WIDTH, timecode="01:02:03;04", rate="24000/1001", pixel_aspect=2.0
    )
    path = written(tmp_path / "made.exr", Part("", {"Y": noise("half")}, header))
    layout = exr.inspect(path)
    assert (layout.timecode, layout.rate) == ("01:02:03;04", "24000/1001")
    assert layout.parts[0].data_window == layout.parts[0].display_window == (0, 0, WIDTH, HEIGHT)
    assert scan(path).parts[0].attributes["pixelAspectRatio"] == ("float", floats(2))
    long = exr.new_header(height=1, width=1, rate="23.97602397602")
    assert long["framesPerSecond"] == Fraction(24_000, 1001)
    with pytest.raises(CannotCarryError, match="no timecode"):
        exr.new_header(height=1, width=1, timecode="1:2:3")


def test_an_aces_container(tmp_path):
    """SMPTE ST 2065-4: flag, AP0 primaries (ST 2065-1), half floats, no compression, no tiles."""
    part = exr.as_aces(tiled(made_part(R="half", G="half", B="half")))
    (image,) = scan(written(tmp_path / "made.exr", part)).parts
    assert image.attributes["acesImageContainerFlag"] == exrbytes.integer(1)
    assert struct.unpack("<8f", image.attributes["chromaticities"][1]) == pytest.approx(
        (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)
    )
    assert (image.codec.name, image.tiles) == ("none", None)
    assert "tiles" not in image.attributes
    with pytest.raises(CannotCarryError, match="Z is not one"):
        exr.as_aces(made_part(R="half", Z="float"))


# Failures.


def garbled(path: Path, compression: str) -> Path:
    """A file whose chunks stand where they should and hold nonsense."""
    channels = {name: smooth("half") for name in "RGB"}
    written(path, exr.with_compression(Part("", channels, {}), compression))
    raw = bytearray(path.read_bytes())
    for offset in scan(path).parts[0].offsets.tolist():
        raw[offset + 8 : offset + 40] = b"\xff" * 32
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize("compression", ["zip", "piz", "dwaa", "htj2k32", "zstd"])
def test_garbled_pixels_are_told_once(tmp_path, capfd, compression):
    path = garbled(tmp_path / "made.exr", compression)
    assert exr.inspect(path)
    with pytest.raises(TornFrameError, match=r"made\.exr: does not decode: Unable to run decoder"):
        exr.read(path)
    assert capfd.readouterr() == ("", "")


def test_a_garbled_part_takes_the_others_with_it(tmp_path, capfd):
    parts = [Part(name, {"R": smooth("half")}, {}) for name in "ab"]
    path = written(tmp_path / "made.exr", *parts)
    raw = bytearray(path.read_bytes())
    start = int(scan(path).parts[0].offsets[0]) + 12
    raw[start : start + 32] = b"\xff" * 32
    path.write_bytes(raw)
    with pytest.raises(TornFrameError, match="does not decode"):
        exr.read(path)
    assert capfd.readouterr() == ("", "")


def test_other_threads_are_heard_meanwhile(capfd):
    with captured() as words:
        print("the library")
        other = threading.Thread(target=print, args=("another thread",))
        other.start()
        other.join()
    print("afterwards")
    assert "".join(words) == "the library\n"
    assert capfd.readouterr().out == "another thread\nafterwards\n"


def test_hushing_overlaps(tmp_path, capfd):
    path = garbled(tmp_path / "made.exr", "zip")
    failed = []

    def look() -> None:
        for _ in range(20):
            try:
                exr.read(path)
            except TornFrameError as error:
                failed.append(error)

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print("afterwards")
    assert len(failed) == 80
    assert capfd.readouterr() == ("afterwards\n", "")


def test_no_file(tmp_path):
    for look in (exr.inspect, exr.read):
        with pytest.raises(MissingPlateError, match="no such file"):
            look(tmp_path / "none.exr")


@pytest.mark.skipif(os.name != "posix", reason="names are UTF-16 here")
def test_a_name_that_the_module_cannot_take(tmp_path):
    path = tmp_path / os.fsdecode(b"\xff.exr")
    with pytest.raises(WriteError, match="has a name that is not UTF-8"):
        written(path, made_part(R="half"))
    written(tmp_path / "made.exr", made_part(R="half")).rename(path)
    with pytest.raises(CannotCarryError, match="has a name that is not UTF-8; rename it"):
        exr.read(path)


Y = noise("half")
WINDOW = (np.array([0, 0], np.int32), np.array([9, 9], np.int32))
UNWRITABLE = {
    "no parts": (Frame("exr", ()), "is no EXR frame"),
    "another format": (Frame("dpx", (Part("", {"Y": Y}),)), "a dpx frame is no EXR frame"),
    "no channels": (Frame("exr", (Part("", {}),)), "without channels"),
    "sizes": (Frame("exr", (Part("", {"Y": Y, "Z": Y[1:]}),)), "differ in size"),
    "window": (Frame("exr", (Part("", {"Y": Y}, {"dataWindow": WINDOW}),)), "differ in size"),
    "type": (Frame("exr", (Part("", {"Y": Y.astype("f8")}),)), "could not be written"),
    "value": (Frame("exr", (Part("", {"Y": Y}, {"a": object()}),)), "unrecognized type"),
    "names": (Frame("exr", (Part("a", {"Y": Y}), Part("a", {"Y": Y}))), "unique name"),
}


@pytest.mark.parametrize("case", UNWRITABLE)
def test_what_cannot_be_written(tmp_path, capfd, case):
    frame, message = UNWRITABLE[case]
    with pytest.raises(WriteError, match=message) as caught:
        exr.write(frame, tmp_path / "made.exr")
    assert caught.value.file == str(tmp_path / "made.exr")
    assert capfd.readouterr() == ("", "")


def test_no_folder(tmp_path, capfd):
    with pytest.raises(WriteError, match="could not be written"):
        written(tmp_path / "none" / "made.exr", made_part(R="half"))
    assert capfd.readouterr() == ("", "")


def test_plain_numbers_of_numpy_are_written(tmp_path):
    changes = {"a": np.float32(0.5), "b": np.int64(7), "c": Fraction(1, 3), "d": np.float64(2.0)}
    part = exr.with_attributes(made_part(R="half"), changes)
    attributes = scan(written(tmp_path / "made.exr", part)).parts[0].attributes
    assert attributes["a"] == ("float", floats(0.5))
    assert attributes["b"] == exrbytes.integer(7)
    assert attributes["c"] == ("rational", struct.pack("<iI", 1, 3))
    assert attributes["d"] == ("float", floats(2.0))


def test_threads_of_the_codec(tmp_path):
    part = made_part(R="half", G="half", B="half")
    before = OpenEXR.global_thread_count()
    try:
        for count in (2, 0):
            exr.set_threads(count)
            assert OpenEXR.global_thread_count() == count
            frame = exr.read(written(tmp_path / "made.exr", part))
            assert all(same_bytes(frame.parts[0].channels[c], part.channels[c]) for c in "RGB")
    finally:
        exr.set_threads(before)


# Real files, that nobody here wrote.

REFUSED = {
    "11.deep.exr": "is deep",
    "ColorCodedLevels.exr": "mip levels",
    "Flowers.exr": "'BY' subsampled",
    "PeriodicPattern.exr": "mip levels",
    "Trunks.exr": "deep in part 'rgba.left'",
    "comp_b44.exr": "'BY' subsampled",
    "primitives.exr": "deep in part 'rgba'",
}


def real(folder: str) -> list[object]:
    root = os.environ.get("GRADEPREP_PLATES")
    if not root:
        missing = pytest.mark.skip(reason="GRADEPREP_PLATES names no folder of real images")
        return [pytest.param(None, marks=missing, id=folder)]
    paths = sorted((Path(root) / folder).rglob("*.exr"))
    return [pytest.param(path, id=str(path.relative_to(root))) for path in paths]


@pytest.mark.parametrize("path", real("exr"))
def test_real_files_come_back(tmp_path, capfd, path):
    if path.name in REFUSED:
        for look in (exr.inspect, exr.read):
            with pytest.raises(CannotCarryError, match=REFUSED[path.name]):
                look(path)
        return
    frame = exr.read(path)
    result = tmp_path / "result.exr"
    exr.write(frame, result)
    assert_same_structure(path, result)
    back = exr.read(result)
    for image, part, again in zip(scan(path).parts, frame.parts, back.parts, strict=True):
        types = [channel.pixel_type for channel in image.channels]
        assert list(part.channels) == list(again.channels)
        if not exr.lossy(image.codec.name, types):
            assert all(same_bytes(again.channels[c], it) for c, it in part.channels.items())
    assert_same_pixels(frame, by_openimageio(path))
    assert_same_pixels(back, by_openimageio(result))
    assert capfd.readouterr() == ("", "")


def assert_same_structure(source: Path, result: Path) -> None:
    """Flags and raw attributes, but for a type that a file of one part need not tell."""
    one, other = scan(source), scan(result)
    assert one.flags == other.flags
    for image, again in zip(one.parts, other.parts, strict=True):
        expected, found = dict(image.attributes), dict(again.attributes)
        kind = b"tiledimage" if image.tiles else b"scanlineimage"
        assert found["type"] == expected.setdefault("type", ("string", kind))
        assert found == expected


@pytest.mark.parametrize("path", real("odd"))
def test_odd_files_never_reach_the_module(monkeypatch, capfd, path):
    monkeypatch.delattr(OpenEXR, "File")
    for look in (exr.inspect, exr.read):
        with pytest.raises(GradeprepError, match=path.name) as caught:
            look(path)
        assert "\n" not in str(caught.value)
    assert capfd.readouterr() == ("", "")
